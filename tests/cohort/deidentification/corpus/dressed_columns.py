"""Columns of a third attack: numbers dressed as measures, times of the calendar, order of arrival, exact ages, short notes.

Each family is a list of headers and the cells that stand under every one of them. The cells are made from a person who is
not there: a day of surgery, a day of birth, a telephone, the number of a record.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from random import Random
from typing import Any, NamedTuple

GIVEN = (
    "Orla",
    "Lothar",
    "Solène",
    "Paloma",
    "Fiammetta",
    "Wietske",
    "Bożena",
    "Gülşen",
    "Зинаида",
    "Ευτυχία",
    "陽菜",
    "فاطمة",
)
FAMILY = ("Tennebrick", "Schmittmann", "Charpentreau", "Zubizarreta", "Bevilacqua", "Hoogendijk", "Brzęczyk", "Kahraman",
          "Щукин", "Ξυδάκη", "榊原", "الحلواني")  # fmt: skip
#: Family names that are words of the trade too.
TRADE_NAMES = (
    "Walker",
    "Day",
    "Early",
    "Weeks",
    "Hand",
    "Foot",
    "Short",
    "Long",
    "Young",
    "Strong",
    "Good",
    "Best",
    "Sharp",
    "March",
)


class Person(NamedTuple):
    """Who stands behind a row."""

    place: int
    arrival: int
    start: date
    born: date
    telephone: str
    record: int
    low_record: int
    given: str
    family: str


class AttackColumn(NamedTuple):
    """A column with one cell a patient."""

    family: str
    made: str
    header: str
    cells: list[Any]


def people(count: int, seed: int = 0) -> list[Person]:
    """Make persons whose starts are in no order of the rows."""
    rng = Random(seed)
    starts = sorted(rng.sample(range(720), count))
    order = rng.sample(range(count), count)
    low = rng.sample(range(100, 1000), count)
    first = date(2022, 1, 3)
    return [
        Person(
            place=place,
            arrival=arrival,
            start=first + timedelta(starts[arrival]),
            born=date(1940, 1, 1) + timedelta(rng.randrange(22000)),
            telephone=f"0155501{rng.randrange(10000):04d}",
            record=rng.randrange(100000, 999999),
            low_record=low[place],
            given=GIVEN[place % len(GIVEN)],
            family=FAMILY[place % len(FAMILY)],
        )
        for place, arrival in enumerate(order)
    ]


Cell = Callable[[Person], Any]

WORDS_OF_NUMBERS = (
    "number", "score", "count", "value", "total", "points", "level", "grade", "result", "test", "measure", "item", "index",
    "rank", "position", "order", "no", "n", "set", "group", "class", "session", "visit", "baseline", "sum", "rating", "scale",
    "answer", "question", "trial", "attempt", "series", "amount", "size", "length", "load", "distance", "repetitions",
    "Nummer", "Wert", "Zahl", "Anzahl", "Punkte", "Ergebnis", "numéro", "valeur", "nombre", "résultat", "número", "valor",
    "puntos", "numero", "valore", "punteggio", "nummer", "waarde", "aantal", "liczba", "wynik", "sayı", "puan", "номер",
    "число", "балл", "αριθμός", "βαθμός", "番号", "点数", "رقم", "عدد", "编号", "得分", "संख्या", "अंक", "번호", "점수", "מספר",
)  # fmt: skip
ARRIVAL = (
    "appointment", "appointment_number", "Termin", "Termin Nr", "rdv n°", "cita", "invoice", "Rechnung", "facture",
    "visit_number", "visit no", "encounter", "contact", "queue", "slot", "seq", "sequence", "line", "entry", "record",
    "session_number", "randomisation", "Lfd. Nr.", "laufende Nummer", "n° d'ordre", "list position", "priority", "Reihenfolge",
    "enrolment", "inclusion", "case", "Fall", "cas", "caso", "визит", "επίσκεψη", "受付番号", "ترتيب",
    "预约", "accession", "run", "batch", "ticket",
)  # fmt: skip
TIMES = (
    "week", "weeks", "KW", "calendar week", "Woche", "semaine", "semana", "settimana", "tydzień", "hafta", "неделя",
    "εβδομάδα", "週", "周", "أسبوع", "month", "Monat", "mois", "mes", "月", "quarter", "Quartal", "trimestre", "season",
    "period", "time", "visit", "timepoint", "session_week", "wk",
)  # fmt: skip
AGES = (
    "age", "age_days", "age (d)", "Age in months", "age_dec", "Alter", "Alter in Tagen", "âge", "âge (jours)", "edad",
    "edad (meses)", "возраст", "возраст в днях", "年齢", "年龄", "عمر", "days old", "age_wks", "months of age", "days since birth",
    "age at surgery", "Alter bei OP", "leeftijd", "età", "wiek", "yaş", "ηλικία",
)  # fmt: skip
MEASURES = (
    "quad_torque", "Quad peak torque (Nm)", "hamstring strength N", "knee flexion", "flexion_deg", "extension", "koos_pain",
    "KOOS ADL", "NRS pain", "VAS", "6MWT (m)", "TUG s", "BMI", "weight kg", "height cm", "thigh girth cm", "steps", "minutes",
    "heart rate", "SBP", "LSI %", "hop distance cm", "IKDC", "Lysholm", "sessions", "Drehmoment", "Beugung", "flexion genou",
    "peso", "угол сгибания", "膝屈曲", "current mA",
)  # fmt: skip
TEXTS = (
    "notes", "comment", "side", "protocol", "group", "visit", "aid", "reason", "measure", "surgery type", "Seite", "Gruppe",
    "remarque", "grupo", "группа", "備考",
)  # fmt: skip

EXPORT = date(2024, 9, 30)


def months(one: Person) -> int:
    """Count whole months of life at the start."""
    return (one.start.year - one.born.year) * 12 + one.start.month - one.born.month


FAMILIES: dict[str, tuple[tuple[str, ...], dict[str, Cell]]] = {
    "single word": (
        WORDS_OF_NUMBERS,
        {
            "low record": lambda one: one.low_record,
            "shuffled 1 to n": lambda one: one.place + 1,
            "by arrival": lambda one: one.arrival + 1,
        },
    ),
    "arrival": (
        ARRIVAL,
        {
            "by arrival": lambda one: one.arrival + 1,
            "by arrival with gaps": lambda one: 3 * one.arrival + one.place % 3,
        },
    ),
    "calendar": (
        TIMES,
        {
            "week": lambda one: one.start.isocalendar().week,
            "month": lambda one: one.start.month,
            "W43": lambda one: f"W{one.start.isocalendar().week}",
            "KW 43": lambda one: f"KW {one.start.isocalendar().week}",
            "2026-W43": lambda one: f"{one.start.isocalendar().year}-W{one.start.isocalendar().week:02d}",
            "week 43": lambda one: f"week {one.start.isocalendar().week}",
            "month 10": lambda one: f"month {one.start.month}",
            "Q4": lambda one: f"Q{(one.start.month + 2) // 3}",
            "10/26": lambda one: one.start.strftime("%m/%y"),
            "Oct": lambda one: one.start.strftime("%b"),
        },
    ),
    "age": (
        AGES,
        {
            "days": lambda one: (one.start - one.born).days,
            "months": months,
            "decimal years": lambda one: round((one.start - one.born).days / 365.25, 3),
            "y m": lambda one: f"{months(one) // 12}y {months(one) % 12}m",
        },
    ),
    "dressed": (
        MEASURES,
        {
            "three digits of a telephone": lambda one: int(one.telephone[-3:]),
            "two digits of a telephone": lambda one: int(one.telephone[-2:]),
            "record": lambda one: one.low_record,
            "record as tenths": lambda one: one.low_record / 10,
            "day.month": lambda one: float(f"{one.start.day}.{one.start.month:02d}"),
            "day and month / 10": lambda one: (one.start.day * 100 + one.start.month) / 10,
            "birth year - 1900": lambda one: one.born.year - 1900,
            "day of the year": lambda one: one.start.timetuple().tm_yday,
            "days to the export": lambda one: (EXPORT - one.start).days,
            "weeks to the export": lambda one: (EXPORT - one.start).days / 7,
            "serial number / 1000": lambda one: ((one.start - date(1899, 12, 30)).days) / 1000,
            "arrival": lambda one: one.arrival + 1,
        },
    ),
    "short text": (
        TEXTS,
        {
            "name and number": lambda one: f"{one.family} {one.place + 3}",
            "side and name": lambda one: f"left ({one.family})",
            "initials": lambda one: f"{one.given[0]}.{one.family[0]}.",
            "initials and year": lambda one: f"{one.given[0]}{one.family[0]}{one.born.year % 100}",
            "name of the trade": lambda one: TRADE_NAMES[one.place % len(TRADE_NAMES)],
            "given of the trade": lambda one: ("May", "June", "Mark", "Grace", "Will", "Art")[one.place % 6],
            "side and day": lambda one: f"R {one.start.day}.{one.start.month}.",
            "torque and telephone": lambda one: f"{80 + one.place} Nm {one.telephone[-4:]}",
            "trade word and number": lambda one: f"protocol {one.low_record}",
            "letter and number": lambda one: f"P{one.low_record}",
        },
    ),
}


def attack_columns(persons: list[Person]) -> list[AttackColumn]:
    """Put every kind of cell of a family under every header of it."""
    return [
        AttackColumn(family, made, header, [cell(one) for one in persons])
        for family, (headers, kinds) in FAMILIES.items()
        for header in headers
        for made, cell in kinds.items()
    ]
