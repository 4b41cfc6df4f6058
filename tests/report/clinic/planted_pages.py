"""Pages of clinics whose truth is planted, and everything that stands on them."""

import pytest

from analysis.cohort import check_cohort
from analysis.report import Figure, Passage, clinic
from analysis.report.clinic import network
from analysis.report.quarter.prepared import counted_folder

from ..truths.others.planted_quarters import plant

SECTIONS = (
    clinic.subtitle, clinic.answer, clinic.indicators, clinic.over_time, clinic.completeness, clinic.late_data, clinic.questions,
    clinic.cautions, clinic.provenance,
)  # fmt: skip


def page_of(folder, site, *, cohort=None, **options):
    """Prepare the page of a clinic of a cohort that was never written; without one the folder itself is read."""
    network._KEPT.clear()
    if cohort is None:
        return clinic.prepare_clinic(folder, site=site, **options)
    (folder / "datapackage.json").touch()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(counted_folder, "load_cohort", lambda place: cohort)
        patch.setattr(network, "load_with_findings", lambda place: (cohort, check_cohort(cohort)))
        return clinic.prepare_clinic(folder, site=site, **options)


def planted_page(folder, site, *, options=None, **planted):
    return page_of(folder, site, cohort=plant(**planted), **(options or {}))


def words_on(page):
    """Give every sentence and cell of a page, but for its provenance."""
    said = []
    for section in SECTIONS[:-1]:
        for item in section(page):
            if isinstance(item, Passage):
                said += item.paragraphs
                continue
            table = item.table if isinstance(item, Figure) else item
            said += [item.caption, *([item.alt] if isinstance(item, Figure) else []), *table.notes]
            said += [cell for row in table.rows() for cell in row]
    return said


def sentences_on(page):
    """Give the passages of a page, but for its provenance."""
    return [
        text
        for section in SECTIONS[:-1]
        for item in section(page)
        if isinstance(item, Passage)
        for text in item.paragraphs
    ]
