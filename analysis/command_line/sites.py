"""A comparison of protocols over sites that share no row: ``sites plan``, ``sites summarise``, ``sites combine``, ``sites seed``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from analysis.errors import KneecurveError
from analysis.printing import foreign, foreign_lines, out

app = typer.Typer(
    name="sites",
    help="Compare protocols over several sites of which none shares a row: a plan, a file from each site, and the sums of all.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
#: What may be set of a plan.
_OPTIONS = (
    "measure",
    "week",
    "threshold",
    "criterion",
    "limb",
    "missing",
    "baseline",
    "reference",
    "level",
    "adjust_for",
    "enough",
    "k",
)

PlanFile = Annotated[Path, typer.Option("--plan", help="The plan that all sites have.")]
FirstRound = Annotated[
    bool, typer.Option("--first-round", help="The first of two rounds: patients by pattern of visits and level.")
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace a file of that name.")]


@app.command("plan")
def plan_sites(
    folder: Annotated[
        Path, typer.Argument(help="Cohort folder like those of the sites, or of one of them; only read.")
    ],
    file: Annotated[Path, typer.Option("--out", help="JSON file of the plan that is written, for all sites.")],
    sites: Annotated[list[str], typer.Option("--site", help="Name of a site that takes part; repeatable.")],
    options: Annotated[
        list[str] | None,
        typer.Option(
            "--set", "-s", help=f"{', '.join(_OPTIONS)}, as name=value; repeatable. measure and week are needed."
        ),
    ] = None,
    also: Annotated[
        list[str] | None,
        typer.Option(
            "--also",
            help="Names that other sites may have, as events=fall; repeatable: events, reasons, modalities, sex ...",
        ),
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """Agree on what every site counts: the endpoint, the weeks, the names, and how visits are summed."""
    from analysis.cohort import load_cohort
    from analysis.pooled.planning import plan_pooling
    from analysis.report.running.parameters import parameter_of_text

    given = dict(parameter_of_text(text) for text in options or [])
    unknown = [name for name in given if name not in _OPTIONS]
    lacking = [name for name in ("measure", "week") if name not in given]
    if unknown or lacking:
        raise KneecurveError(
            f"There is no parameter {unknown[0]!r}." if unknown else f"{lacking[0]} is not set.",
            where="kneecurve sites plan",
            what_to_do=f"Set one of: {', '.join(_OPTIONS)}." if unknown else f"--set {lacking[0]}=...",
        )
    names: dict[str, list[str]] = {}
    for text in also or []:
        what, _, name = text.partition("=")
        names.setdefault(what.strip(), []).append(name.strip())
    plan = plan_pooling(
        load_cohort(folder), given.pop("measure"), week=given.pop("week"), sites=sites, also=names, **given
    )
    plan.save(file, overwrite=overwrite)
    out.print(foreign_lines(plan))
    out.print(f"Plan {plan.digest} in {foreign(file)}: send it to every site.")
    out.print(f"There: kneecurve sites summarise COHORT --plan {foreign(file.name)} --site NAME --out FILE")


@app.command("summarise")
def summarise(
    folder: Annotated[Path, typer.Argument(help="Cohort folder of the site; only read.")],
    plan_file: PlanFile,
    site: Annotated[str, typer.Option("--site", help="Name of the site in the plan.")],
    file: Annotated[Path, typer.Option("--out", help="JSON file that is written, for the combining office.")],
    first_round: FirstRound = False,
    seeds: Annotated[
        Path | None,
        typer.Option(
            "--seeds", help="TOML file with the seed shared with each other site, by its name: numbers are masked."
        ),
    ] = None,
    trusted: Annotated[
        bool,
        typer.Option("--trusted", help="Keep cells of few patients: the file goes only where the rows may be seen."),
    ] = False,
    overwrite: Overwrite = False,
) -> None:
    """Count a site by the plan; no row of a patient leaves, and what leaves is no anonymous data."""
    from analysis.cohort import load_cohort
    from analysis.pooled.agreed import read_pooling_plan
    from analysis.pooled.sites.first_round import summarise_profiles, write_profiles
    from analysis.pooled.sites.masked_site import mask_site, write_masked
    from analysis.pooled.sites.masks import read_seeds
    from analysis.pooled.sites.sealed import hash_of_file
    from analysis.pooled.sites.site_file import NOTE, summarise_site, write_site_sums

    plan, cohort = read_pooling_plan(plan_file), load_cohort(folder)
    shared = None if seeds is None else read_seeds(seeds)
    out.print(foreign_lines(plan))
    if first_round:
        write_profiles(summarise_profiles(cohort, plan, site, seeds=shared), plan, file, overwrite=overwrite)
        out.print(f"First round of {foreign(site)} in {foreign(file)}{', masked' if shared else ''}.")
    elif shared is not None:
        write_masked(mask_site(cohort, plan, site, shared), plan, file, overwrite=overwrite)
        out.print(
            f"Masked sums of {foreign(site)} in {foreign(file)}: they say nothing without those of all other sites."
        )
    else:
        found = summarise_site(cohort, plan, site, trusted=trusted)
        write_site_sums(found, file, overwrite=overwrite)
        out.print(foreign_lines(found))
    if shared is None and first_round:
        out.print(NOTE)
    out.print(f"Hash, to be compared by another way than the file: {hash_of_file(file)[:16]}")


@app.command("combine")
def combine(
    files: Annotated[list[Path], typer.Argument(help="Files that kneecurve sites summarise wrote at the sites.")],
    plan_file: PlanFile,
    target: Annotated[
        Path,
        typer.Option(
            "--out",
            help="Folder that is written, for kneecurve report sites_comparison; or, of a first round, the plan.",
        ),
    ],
    first_round: FirstRound = False,
    without: Annotated[
        list[str] | None, typer.Option("--without", help="A site of the plan that sent nothing; repeatable.")
    ] = None,
) -> None:
    """Check the files of the sites against each other and add them up; nothing is combined where one does not fit."""
    from analysis.pooled.agreed import read_pooling_plan
    from analysis.pooled.sites.combining import combine_sites, write_network
    from analysis.pooled.sites.first_round import read_profiles, settle_kept

    plan = read_pooling_plan(plan_file)
    if first_round:
        settled, stay, whole = settle_kept(plan, [read_profiles(file, plan) for file in files])
        settled.save(target)
        out.print(
            f"Of {whole:,} patients with visits {stay:,} stay in the curves: at least {plan.k} have their pattern and levels."
        )
        out.print(f"Plan {settled.digest} of the second round in {foreign(target)}: send it to every site.")
        return
    found = combine_sites(plan, files, without=without or ())
    write_network(found, target)
    out.print(foreign_lines(found))
    out.print(f"Then: kneecurve report sites_comparison {foreign(target)} --out FOLDER")


@app.command("seed")
def seed() -> None:
    """Draw a seed for one pair of sites: both keep it, and nobody else sees it."""
    import secrets

    out.print(secrets.token_hex(32))
