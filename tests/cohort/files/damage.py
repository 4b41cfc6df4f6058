"""Valid files of each kind, and damage done to them by a seed: bits, blocks, sizes, members of an archive."""

import io
import json
import re
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyreadstat

from analysis.cohort import Cohort, write_cohort

MAP = """
layout = "long"
reference = "usual"
[file]
missing = ["NA", ""]
delimiter = ","
decimal = "."
encoding = "utf-8"
[patients]
patient_id = "id"
protocol = { column = "arm", recode = { "1.0" = "usual", "2.0" = "early" } }
[week]
column = "week"
unit = "weeks"
[schedule]
weeks = [0, 6]
[[values]]
measure = "pain"
column = "pain"
limb = "none"
multiply = 1
[measures.own_score]
label = "A score"
unit = "points"
direction = "higher is better"
lowest = 0
highest = 100
limbs = ["none"]
decimals = 1
thresholds = [{ value = 8, kind = "MIC", accepted = true, source = "made up for the test" }]
mix_ups = [{ unit = "percent", lowest = 0, highest = 1, what_to_do = "Multiply by 100." }]
"""
RULES = """
[[rules]]
measure = "pain"
highest = 9.5
severity = "unlikely"
problem = "pain beyond 9.5"
what_to_do = "Look at the source."
source = "made up for the test"
"""
HUGE = (
    b"\xff\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x7f\xff\xff\xff",
    b"\xff" * 8,
    b"\x00\x00\x00\x80",
    b"\xff" * 7 + b"\x7f",
)
TOKENS = (
    b"9" * 5000, b"-1", b"1e999", b"[" * 3000, b"{" * 3000, b"\x00", b"\xff\xfe", b'"', b"'", b"\n", b",", b"\r", b"\\ud800",
    b"null", b"true", b"{}", b"[]", b"\xef\xbb\xbf", b"nan", b"0" * 300, b"a." * 2000, b"\xed\xa0\x80", b"2024-02-30",
)  # fmt: skip
NUMBERS = (b"0", b"-1", b"1048576", b"1048577", b"999999999", b"4294967296", b"9" * 40, b"9" * 5000, b"1e400", b"")
#: What stands in the place of a value of a map or a descriptor.
VALUES = (
    b"0", b"-1", b"9" * 400, b"9" * 5000, b"1e999", b"-1e999", b"nan", b"inf", b"true", b"null", b"[]", b"{}", b'""', b'"\\u0000"',
    b'"zlib"', b'"utf-16"', b'"idna"', b'"undefined"', b'"\\n"', b'"::"', b'"../t.csv"', b"1.5", b"2024-01-01", b'["x", 1]',
    b"[[1, 2], [3]]", b'{"a": {"b": 1}}', b"{a = {b = 1}}", b'"id"', b'"day"', b'"note"', b"[" * 2000 + b"]" * 2000,
)  # fmt: skip
CELLS = (b"XFD1048576", b"A1048576", b"XFD1", b"ZZZZ1", b"A0", b"A99999999999", b"")


def table():
    days = pd.to_datetime("2024-01-01") + pd.to_timedelta(np.arange(40) * 7, unit="D")
    return pd.DataFrame(
        {
            "id": [f"P{i // 2:03d}" for i in range(40)],
            "arm": np.where(np.arange(40) // 2 % 2, 1.0, 2.0),
            "week": np.arange(40) % 2 * 6.0,
            "pain": [None if i == 5 else i % 11 for i in range(40)],
            "day": days,
            "note": [("Zoë", "a longer text, with a comma", "")[i % 3] for i in range(40)],
        }
    )


def valid_files(folder):
    """Give the bytes of a valid file by its name; each is written below ``folder`` and read back."""
    frame, labels = table(), {"arm": {1: "early", 2: "usual"}}
    text = frame.to_csv(index=False)
    pyreadstat.write_sav(frame, folder / "t.sav", variable_value_labels=labels, row_compress=True)
    pyreadstat.write_sav(frame, folder / "plain.sav", variable_value_labels=labels, missing_ranges={"pain": [9]})
    pyreadstat.write_sav(frame, folder / "t.zsav", variable_value_labels=labels, compress=True)
    pyreadstat.write_dta(frame.astype({"arm": "int32"}), folder / "t.dta", variable_value_labels=labels)
    pyreadstat.write_xport(frame, folder / "t.xpt")
    typed = frame.assign(kind=pd.Categorical(frame["note"]), ok=True, zone=frame["day"].dt.tz_localize("Europe/Berlin"))
    typed.to_parquet(folder / "t.parquet", row_group_size=15)
    bare = pa.Table.from_pandas(typed.drop(columns="kind")).replace_schema_metadata(None)
    pq.write_table(bare, folder / "bare.parquet", compression="none", store_schema=False, use_dictionary=["note"])
    book = openpyxl.Workbook()
    for row in [list(frame.columns), *frame.astype(object).where(frame.notna(), None).to_numpy().tolist()]:
        book.active.append(row)
    book.save(folder / "t.xlsx")
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"], "sex": ["f", "m"]})
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 6]})
    written = write_cohort(Cohort(patients, visits), folder / "cohort")
    described = json.loads((written / "datapackage.json").read_text())
    described["kneecurve"]["measures"] = {"pain": described["kneecurve"]["measures"]["pain"]}
    made = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    # No package writes .sas7bdat: its magic number and a header of noise (layout as in the public notes on the format, from memory).
    magic = bytes.fromhex("000000000000000000000000c2ea8160b31411cfbd92080009c7318c181f1011")
    noise = np.random.default_rng(7).integers(0, 256, 8192 - len(magic), dtype=np.uint8).tobytes()
    return made | {
        "t.csv": text.encode(),
        "wide.csv": text.encode("utf-16"),
        "latin.csv": text.encode("cp1252"),
        "t.sas7bdat": magic + noise,
        "datapackage.json": json.dumps(described).encode(),
        "map.toml": MAP.encode(),
        "rules.toml": RULES.encode(),
    }


def damaged(name, content, seed):
    """Give a file damaged by a seed; of a workbook mostly one member, packed again with a right checksum."""
    rng = np.random.default_rng([seed, *name.encode()])
    if name.endswith(".xlsx") and rng.random() < 0.8:
        return _member_damaged(content, rng)
    text = name.endswith((".csv", ".json", ".toml"))
    settings = name.endswith((".json", ".toml"))
    for _ in range(rng.integers(1, 3)):
        if settings and rng.random() < 0.8:
            content = _value_replaced(content, rng)
        else:
            content = _hit(content, rng, text=text, at_end=name.endswith(".parquet") and rng.random() < 0.5)
    return content


def _value_replaced(content, rng):
    places = list(
        re.finditer(rb'(?<=[:=] )("[^"]*"|[\d.-]+|true|false|null)(?=[,}\s])|(?<=[\[ ])"[^"]*"(?=[,\] ])', content)
    )
    if not places:
        return _hit(content, rng, text=True)
    place = places[rng.integers(0, len(places))]
    return content[: place.start()] + VALUES[rng.integers(0, len(VALUES))] + content[place.end() :]


def _member_damaged(content, rng):
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    sheet = next(name for name in members if "sheet1" in name)
    victim = sheet if rng.random() < 0.6 else rng.choice(sorted(members))
    for _ in range(rng.integers(1, 4)):
        members[victim] = _xml_hit(members[victim], rng)
    if rng.random() < 0.05:
        del members[victim]
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, member in members.items():
            archive.writestr(name, member)
    return target.getvalue()


def _xml_hit(member, rng):
    kind = rng.integers(0, 4)
    pattern, news = ((rb'(?<=")\d+(?=")|(?<=>)\d+(?=<)', NUMBERS), (rb'(?<= r=")[A-Z]+\d+(?=")', CELLS))[kind % 2]
    places = list(re.finditer(pattern, member))
    if kind > 1 or not places:
        return _hit(member, rng, text=True)
    place = places[rng.integers(0, len(places))]
    return member[: place.start()] + news[rng.integers(0, len(news))] + member[place.end() :]


def _hit(content, rng, *, text, at_end=False):
    size = len(content)
    if size < 8:
        return content + b"x"
    low = max(0, size - 3000) if at_end else 0
    start = int(rng.integers(low, size))
    length = int(min(size - start, rng.integers(1, 300)))
    kind = rng.choice(8, p=(0.4, 0.05, 0.05, 0.1, 0.05, 0.05, 0.2, 0.1))
    if kind == 0:
        changed = bytearray(content)
        for place in rng.integers(low, size, rng.integers(1, 9)):
            changed[place] ^= 1 << int(rng.integers(0, 8))
        return bytes(changed)
    if kind == 1:
        return content[:start]
    block = content[start : start + length]
    if kind == 2:
        return content[:start] + block * int(rng.integers(2, 20)) + content[start + length :]
    if kind == 3:
        return content[:start] + bytes(length) + content[start + length :]
    if kind == 4:
        other = int(rng.integers(low, size))
        first, second = sorted((start, other))
        return content[:first] + content[second : second + length] + content[first:]
    if kind == 5:
        return content[:start] + content[start + length :]
    news = TOKENS if text else HUGE
    new = news[rng.integers(0, len(news))]
    return content[:start] + new + content[start + (len(new) if kind == 6 and not text else 0) :]
