"""The descriptor of a cohort folder, ``datapackage.json``: columns in Table Schema and back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar, get_args

import pandas as pd

from analysis.cohort.catalogue import load_catalogue, read_measure
from analysis.cohort.columns import Column, Kind
from analysis.cohort.measures import Measures
from analysis.cohort.modalities import EARLIER_NAMES
from analysis.cohort.programme import UsualSession, read_programme
from analysis.cohort.provenance import Provenance
from analysis.cohort.tables import TABLES, Cohort, CountedFrom, Table, kind_of
from analysis.errors import CohortError, check_choice

DESCRIPTOR = "datapackage.json"
#: Our own part of the descriptor; other tools leave it alone.
OWN_PART = "kneecurve"
FORMAT_VERSION = 1
#: Of folders in parts, which earlier versions of the kit do not read.
FORMAT_VERSION_OF_PARTS = 2

_Kind = TypeVar("_Kind", list[Any], dict[str, Any])

_TYPES: dict[Kind, str] = {
    "text": "string",
    "category": "string",
    "number": "number",
    "boolean": "boolean",
    "date": "datetime",
}
_KINDS: dict[str, Kind] = {
    "number": "number",
    "integer": "number",
    "year": "number",
    "boolean": "boolean",
    "date": "date",
    "datetime": "date",
}


def table_schema(frame: pd.DataFrame, table: Table, file_format: str = "csv") -> dict[str, Any]:
    """Describe a table in the terms of Table Schema: fields, missingValues, primaryKey and foreignKeys.

    A field has name, type, description, unit, categories, constraints. A range is left out for a Parquet column with missing
    numbers: readers that turn these into NaN find NaN out of the range.
    """
    schema: dict[str, Any] = {
        "fields": [
            _field(frame[name], table.column(str(name)), ranged=file_format == "csv" or not frame[name].isna().any())
            for name in frame.columns
        ],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.name != "patients" and "patient_id" in frame:
        reference = {"resource": "patients", "fields": ["patient_id"]}
        schema["foreignKeys"] = [{"fields": ["patient_id"], "reference": reference}]
    return schema


def _field(values: pd.Series, known: Column | None, *, ranged: bool) -> dict[str, Any]:
    kind = known.kind if known is not None else kind_of(values)
    field: dict[str, Any] = {"name": str(values.name), "type": _TYPES[kind]}
    if known is not None:
        field["description"] = known.meaning
        if known.unit:
            field["unit"] = known.unit
    if kind == "category":
        field["categories"] = [str(name) for name in values.cat.categories]
    constraints: dict[str, Any] = {}
    if known is not None:
        if known.required and known.name != "value":
            constraints["required"] = True
        if ranged and math.isfinite(known.lowest):
            constraints["minimum"] = known.lowest
        if ranged and math.isfinite(known.highest) and known.name != "age_years":
            constraints["maximum"] = known.highest
    if constraints:
        field["constraints"] = constraints
    return field


def read_columns(resource: dict[str, Any]) -> dict[str, Column]:
    """Read the columns that the schema of a resource names, by name; none without a schema. Types not known become text."""
    schema = resource.get("schema")
    place = f"table {resource.get('name')}"
    fields = _part(schema, "fields", list, place) if isinstance(schema, dict) else []
    columns = {}
    for field in fields:
        if not isinstance(field, dict) or "name" not in field:
            continue
        name = str(field["name"])
        known = _part(_part(field, "constraints", dict, place), "enum", list, place)
        categories = _part(field, "categories", list, place) or known
        labels = [str(one.get("value") if isinstance(one, dict) else one) for one in categories]
        labels = [EARLIER_NAMES.get(one, one) for one in labels] if name == "modality" else labels
        kind: Kind = "category" if "categories" in field else _KINDS.get(str(field.get("type", "string")), "text")
        columns[name] = Column(name, kind, str(field.get("description", "")), categories=tuple(dict.fromkeys(labels)))
    return columns


def misfit(frame: pd.DataFrame, columns: Mapping[str, Column], wanted: Sequence[str] | None) -> str:
    """Say how a part of a table differs from what the descriptor says of it; empty where it does not."""
    there = [str(name) for name in frame.columns]
    expected = [name for name in columns if wanted is None or name in wanted]
    lacking = [name for name in expected if name not in there]
    further = [name for name in there if name not in expected]
    if lacking or further:
        parts = [f"lacks the column {', '.join(lacking)}"] if lacking else []
        parts += [f"has the further column {', '.join(further)}"] if further else []
        return f"a part of the table {' and '.join(parts)}"
    for name in expected:
        kinds = [_text_or(kind) for kind in (kind_of(frame[name]), columns[name].kind)]
        if kinds[0] != kinds[1] and frame[name].notna().any():
            return f"a part of the table holds {_IN_WORDS[kinds[0]]} in the column {name}, where the others hold {_IN_WORDS[kinds[1]]}"
    return ""


_IN_WORDS = {"text": "text", "number": "numbers", "boolean": "true or false", "date": "dates"}


def _text_or(kind: str) -> str:
    return "text" if kind == "category" else kind


def _part(data: dict[str, Any], key: str, kind: type[_Kind], place: str) -> _Kind:
    """Give a list or an object of the descriptor, an empty one where it is not there.

    Raises
    ------
    CohortError
        It is something else.
    """
    given = data.get(key, kind())
    if not isinstance(given, kind):
        what = "a list" if kind is list else "an object"
        raise CohortError(
            f"In the descriptor, {key} should be {what}, not {given!r}.",
            where=f"{DESCRIPTOR}, {place}",
            what_to_do="Import the source again, or correct the descriptor.",
        )
    return given


def delimiter_of(resource: dict[str, Any]) -> str:
    """Return the character between the cells: of the dialect, or of its part for CSV, as some programs write it."""
    dialect = resource.get("dialect")
    parts = [dialect, dialect.get("csv")] if isinstance(dialect, dict) else []
    said = [part["delimiter"] for part in parts if isinstance(part, dict) and part.get("delimiter")]
    return str(said[0]) if said else ","


def missing_values(resource: dict[str, Any]) -> list[str]:
    """Return the texts that stand for a missing value in a resource."""
    schema = resource.get("schema")
    given: list[Any] = [""]
    if isinstance(schema, dict) and "missingValues" in schema:
        given = _part(schema, "missingValues", list, f"table {resource.get('name')}")
    return [str(one.get("value", "") if isinstance(one, dict) else one) for one in given]


def own_part(cohort: Cohort, partition: dict[str, Any] | None = None) -> dict[str, Any]:
    """Give what travels with a cohort beside its tables; ``partition`` describes the parts of the folder."""
    cut = {} if partition is None else {"partition": partition}
    return {
        "format_version": FORMAT_VERSION if partition is None else FORMAT_VERSION_OF_PARTS,
        **cut,
        "privacy": cohort.privacy,
        "reference": cohort.reference,
        "counted_from": cohort.counted_from,
        "as_of": cohort.as_of,
        "programme": [one.to_json() for one in cohort.programme],
        "provenance": cohort.provenance.to_json(),
        "measures": {name: measure.to_json() for name, measure in cohort.measures.items()},
        "tables": {name: TABLES[name].row for name, _ in cohort.tables()},
    }


def read_reference(descriptor: dict[str, Any]) -> str | None:
    """Read which protocol is the reference; None where none is named.

    Raises
    ------
    CohortError
        It is not a text.
    """
    own = descriptor.get(OWN_PART)
    reference = own.get("reference") if isinstance(own, dict) else None
    if reference is not None and not isinstance(reference, str):
        raise CohortError(
            f"The reference should be a text, not {reference!r}.",
            where=f"{DESCRIPTOR}, {OWN_PART}, reference",
            what_to_do="Write the name of a protocol in quotation marks, or null.",
        )
    return reference


def read_counted_from(descriptor: dict[str, Any]) -> CountedFrom | None:
    """Read what week 0 is; None where the descriptor does not say it.

    Raises
    ------
    CohortError
        It is none of the choices.
    """
    own = descriptor.get(OWN_PART)
    given = own.get("counted_from") if isinstance(own, dict) else None
    if given is not None:
        where = f"{DESCRIPTOR}, {OWN_PART}, counted_from"
        check_choice(given, get_args(CountedFrom), "origin of the weeks", error=CohortError, where=where)
    return given


def read_as_of_day(descriptor: dict[str, Any]) -> str | None:
    """Read up to when the data were collected; None where the descriptor does not say it.

    Raises
    ------
    CohortError
        It is not a text.
    """
    own = descriptor.get(OWN_PART)
    given = own.get("as_of") if isinstance(own, dict) else None
    if given is not None and not isinstance(given, str):
        raise CohortError(
            f"The as-of date should be a text, not {given!r}.",
            where=f"{DESCRIPTOR}, {OWN_PART}, as_of",
            what_to_do="Write the day as 2026-03-31 in quotation marks, at the safe-harbor level its year, or null.",
        )
    return given


def read_own_programme(descriptor: dict[str, Any]) -> tuple[UsualSession, ...]:
    """Read what a session of the home programme usually is; nothing where the descriptor does not say it."""
    own = descriptor.get(OWN_PART)
    given = own.get("programme", []) if isinstance(own, dict) else []
    return read_programme(given, f"{DESCRIPTOR}, {OWN_PART}, programme")


def read_own_part(descriptor: dict[str, Any]) -> tuple[Measures, Provenance, str]:
    """Read measures, provenance and privacy level; the catalogue, nothing, and safe-harbor where there are none.

    Raises
    ------
    CohortError
        Our own part of the descriptor is damaged, or of a later format.
    """
    own = descriptor.get(OWN_PART)
    if own is None:
        return load_catalogue(), Provenance(steps=("Read from a data package of another program.",)), "safe-harbor"
    if not isinstance(own, dict) or own.get("format_version") not in (FORMAT_VERSION, FORMAT_VERSION_OF_PARTS):
        version = own.get("format_version") if isinstance(own, dict) else own
        raise CohortError(
            f"The folder has format version {version!r}; this version of the kit reads {FORMAT_VERSION_OF_PARTS}.",
            where=DESCRIPTOR,
            what_to_do="Use the version of the kit that wrote it, or import the source again.",
        )
    measures = own.get("measures", {})
    if not isinstance(measures, dict):
        raise CohortError("The measures cannot be read.", where=DESCRIPTOR, what_to_do="Import the source again.")
    return (
        Measures([read_measure(str(name), data, DESCRIPTOR) for name, data in measures.items()]),
        Provenance.from_json(own.get("provenance", {})),
        str(own.get("privacy", "safe-harbor")),
    )
