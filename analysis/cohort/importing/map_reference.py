"""Every section and key of a map, declared once: the readers of maps, their errors and the map reference take them from here."""

from __future__ import annotations

from typing import get_args

from analysis.cohort.files.header_rows import MOST_HEADER_ROWS
from analysis.cohort.files.readers import DELIMITERS
from analysis.cohort.importing.map_sections import Key, Section, choice_key, number_key, text_key
from analysis.cohort.measures import Direction
from analysis.cohort.modalities import MODALITIES
from analysis.cohort.programme import TOLERANCE
from analysis.cohort.schedule import Others, Tie, TwoInWindow
from analysis.cohort.tables import EARLIEST_WEEK, LATEST_WEEK, TABLES, CountedFrom, Privacy, TableName

#: Stand in the names of columns for a number, and for a time with its unit (6 weeks, 3mo, pre).
PLACE_OF_WEEK, PLACE_OF_TIME = "{week}", "{time}"
#: Limbs that a map may name; right and left become involved or uninvolved by the side of each patient.
LIMBS = ("involved", "uninvolved", "right", "left", "none")
#: What a map says of visits and labels that are not taken.
LEAVE_OUT = "leave out"
#: What each level of de-identification means, for whoever writes a map.
LEVELS: dict[Privacy, str] = {
    "safe-harbor": "no part of a date finer than the year and no place smaller than a state, 45 CFR 164.514(b)(2)",
    "limited": "may keep the quarter of the start too, for the report of a quarter, and needs a data use agreement or the organisation's "
    "own quality work, 45 CFR 164.514(e)",
}
_SIDES = "right and left become involved or uninvolved by involved_side under [patients]"
_COLUMN = "a column"


def map_reference() -> str:
    """Give the map reference in Markdown: every section of a map with every key, its kind, default, meaning and an example.

    Examples
    --------
    >>> map_reference().splitlines()[0]
    '# Map reference'
    """
    head = (
        "# Map reference\n\n"
        "A map is a TOML file that says which column of which file is what; `kneecurve import FILE --suggest-map` writes a first "
        "one. Every section and key is listed here, from the code that reads maps (`kneecurve map-reference` prints it). A key "
        'or section that is not listed is an error. Where a key takes "a column", it takes the name of one, or a table with the '
        "keys of [A column]. Known measures are listed by `kneecurve measures`."
    )
    return "\n\n".join([head, *(section.to_text() for section in _SECTIONS)])


def map_sections() -> tuple[Section, ...]:
    """Give every section, in the order of the reference."""
    return _SECTIONS


def _table_columns(table: TableName, *left_out: str, required: tuple[str, ...] = ()) -> tuple[Key, ...]:
    """Give a key for each known column of a table of the cohort."""
    return tuple(
        Key(
            column.name, _COLUMN,
            f"{column.meaning[0].upper()}{column.meaning[1:]}{f', in {column.unit}' if column.unit else ''}"
            + (f"; one of {', '.join(column.categories)}." if column.categories else "."),
            f'{column.name} = "{column.name}"', required=column.name in required,
        )
        for column in TABLES[table].columns if column.name not in left_out
    )  # fmt: skip


def _home(table: TableName, *more: Key) -> Section:
    required = tuple(one for one in TABLES[table].required_columns if one not in ("patient_id", "week"))
    date = text_key(
        "date", "Column with the date, in the place of week; weeks are counted from start under [week].", "seen"
    )
    columns = _table_columns(table, required=required)
    patient = Key(
        "patient_id",
        _COLUMN,
        "The patient, where the column is called otherwise than under [patients].",
        'patient_id = "who"',
    )
    return Section(
        f"[{table}]", f"One row is {TABLES[table].row}.", (patient, columns[1], date, *columns[2:], *more)
    )  # fmt: skip


_FILE = text_key("file", "Name of the file in the folder that is imported.", "visits.csv")
_SHEET = text_key("sheet", "Sheet of a workbook; may be left out where there is one only.", "visits")
_WEEKS = "The first and the last week; programme week 1 is days 0 to 6."
_PROTOCOLS = "The protocol, or a list of them, as they are called after recoding."

FILE = Section(
    "[file]", "How the file is written; what holds for all files of a folder.",
    (
        _FILE, _SHEET, text_key("catalog", "SAS catalog (.sas7bcat) with the value labels of a .sas7bdat file.", "labels.sas7bcat"),
        choice_key("delimiter", "Character between the cells of a CSV file.", tuple(DELIMITERS), ","),
        choice_key("decimal", "Decimal sign in texts.", (".", ","), "."),
        text_key("encoding", "Encoding of the texts; without it UTF-8, or what the file says.", "cp1252"),
        Key("missing", "a list of texts", "Texts that stand for a missing value, in the place of the usual ones (NA, n/a, a point and their "
            "kin).", 'missing = ["-9", "n/d"]'),
        Key("header_rows", "a whole number", f"Rows at the top that name the columns, 1 to {MOST_HEADER_ROWS}: their cells are joined "
            "with a blank, an empty one counts as merged with its left neighbour.", "header_rows = 2", 1),
    ),
)  # fmt: skip
FILES = Section(
    "[files]", "Which file or sheet holds which table, where a folder or a workbook with several sheets is imported.",
    tuple(
        Key(table, "a text, or a table with the keys of [file]", f"File of {what}.", example)
        for table, what, example in (
            ("patients", "the patients", 'patients = "people.sav"'),
            ("visits", "the measured values", 'visits = { file = "tests.xlsx", sheet = "visits" }'),
            ("sessions", "the home sessions by week", 'sessions = "weeks.csv"'),
            ("session_log", "the log with one row a session", 'session_log = "log.csv"'),
            ("brace_limits", "the settings of the brace", 'brace_limits = "brace.csv"'),
            ("events", "the events", 'events = "events.csv"'),
            ("flow", "the counts before and at the start: step, protocol, reason, patients", 'flow = "flow.csv"'),
        )
    ),
)  # fmt: skip
PATIENTS = Section(
    "[patients]", "Columns of the patients.",
    (
        Key("patient_id", _COLUMN, "The identifier, which says nothing about the person.", 'patient_id = "id"', required=True),
        Key("protocol", _COLUMN, 'The programme the patient was given; { constant = "usual" } where all had the same.',
            'protocol = "arm"', required=True),
        *_table_columns("patients", "patient_id", "protocol"),
    ),
    'a further baseline covariate, a column too. For example: `graft = "graft_type"`',
)  # fmt: skip
COLUMN = Section(
    "[A column]", "Keys of a table in the place of the name of a column, column or constant, one of them.",
    (
        text_key("column", "Name of the column; capitals and spaces count.", "arm"),
        Key("constant", "a text, a number, or true or false", "One value for every row.", 'constant = "usual"'),
        choice_key("kind", "Kind of a further column of the patients; without it its cells say it.",
                ("text", "category", "number", "boolean"), None),
        Key("recode", "a table of texts", "New labels for old ones.", 'recode = { "1" = "usual", "2" = "early" }'),
        Key("order", "a list of texts", "The labels in their order.", 'order = ["usual", "early"]'),
    ),
)  # fmt: skip
VISITS = Section(
    "[visits]", "Of the file of the measured values.",
    (text_key("patient_id", "Column of the patient, where it is called otherwise than under [patients].", "subject"),),
)  # fmt: skip
WEEK = Section(
    "[week]", "When values were measured. In a long file column or date, one of them.",
    (
        text_key("column", "Column with the time, or with the names of visits; long files.", "day"),
        Key("names", "a table of visits and times", f"Times of visits by their names; a time is a number in the unit, a text with its own, or "
            f'"{LEAVE_OUT}". Names such as Baseline, Week 6 or 3 mo post-op need none.',
            f'names = {{ "Screening" = -2, "Day 1" = 0, "Unscheduled" = "{LEAVE_OUT}" }}'),
        choice_key("unit", "Unit of the time.", ("days", "weeks", "months", "years"), "weeks"),
        number_key("origin", "Time of surgery or start, in the unit of the column.", 1, 0),
        choice_key("counted_from", "What week 0 is: surgery, so that a baseline is from before it, or the start of the programme. "
            "Reports then count responders by the criterion that fits.", get_args(CountedFrom), None),
        number_key("round_to", "Weeks are rounded to a multiple of this.", 1),
        text_key("date", "Column with the date of the visit; long files. No date is kept.", "seen"),
        text_key("start", "Column with the date of surgery or start, in the same file or that of the patients.", "surgery"),
        Key("dates", "a table of times and columns", "Columns with the dates of the visits, by a number of weeks or a time such as "
            '"3 months"; wide files.',
            'dates = { "0" = "date_pre", "6" = "date_6w" }'),
        text_key("date_format", "How dates are written in texts; without it year-month-day.", "%d.%m.%Y"),
    ),
)  # fmt: skip
SCHEDULE = Section(
    "[schedule]", "Actual weeks become scheduled ones; weeks or windows, one of them.",
    (
        Key("weeks", "a list of numbers", "Scheduled weeks; windows end halfway between them.", "weeks = [0, 6, 12, 26]"),
        Key("windows", "a list of tables", "Windows: week, and the first and last week (from, to) that count as it.",
            "windows = [{ week = 0, from = -8, to = 0 }, { week = 6, from = 4, to = 8 }]"),
        choice_key("two_in_window", "Which of two visits in one window is kept.", get_args(TwoInWindow), "nearest"),
        choice_key("tie", "Which of two visits equally near is kept.", get_args(Tie), "earlier"),
        choice_key("others", "What becomes of the other visits in a window.", get_args(Others), "drop"),
        choice_key("unscheduled", "What becomes of visits outside all windows; kept ones keep their week.", get_args(Others), "keep"),
    ),
)  # fmt: skip
WINDOW = Section(
    "[[schedule.windows]]", "One window.",
    (
        number_key("week", f"The scheduled week, {EARLIEST_WEEK:g} to {LATEST_WEEK:g}.", 6, required=True),
        number_key("from", "First week that counts as it.", 4, required=True),
        number_key("to", "Last week that counts as it.", 8, required=True),
    ),
)  # fmt: skip
_MEASURE = text_key("measure", "Name of the measure, a known one or one of [measures].", "pain")
_SHARED = (
    choice_key("limb", f"Limb of all these values; {_SIDES}.", LIMBS, "none"),
    number_key("multiply", "Values are multiplied by this, to come into the unit of the measure.", 0.1, 1),
    _FILE, _SHEET,
)  # fmt: skip
LONG_VALUES = Section(
    "[[values]], long file", "A column of measured values: measure or measure_column, one of them. A block for each.",
    (
        text_key("column", "Column with the values.", "vas", required=True), _MEASURE,
        text_key("measure_column", "Column that says which measure a row holds.", "test"),
        Key("measures", "a table of texts", f'Measures that the labels of measure_column stand for, with their limb where '
            f'there is one; or "{LEAVE_OUT}".', 'measures = { "VAS" = "pain", "Flexion op" = "knee_flexion involved" }'),
        text_key("limb_column", "Column that says which limb a row is about.", "leg"),
        Key("limbs", "a table of texts", f"Limbs that the labels of limb_column stand for; {_SIDES}.",
            'limbs = { "operated" = "involved", "other" = "uninvolved" }'),
        text_key("baseline", "Column that repeats the baseline in every row: one visit more, where no row has it.", "BASE"),
        number_key("baseline_week", "When that was, in the unit of [week]; without it week 0.", -1),
        *_SHARED,
    ),
)  # fmt: skip
WIDE_VALUES = Section(
    "[[values]], wide file", "Columns with the values of one measure, one for each time: columns or pattern, one of them.",
    (
        text_key("measure", _MEASURE.meaning, "pain", required=True),
        Key("columns", "a table of columns and times", "The columns, each with its time: a number in the unit of [week], or a text with "
            "its own.", 'columns = { pain_pre = 0, pain_6w = 6, pain_1y = "1 year" }'),
        Key("pattern", "a text", f"What the names of the columns have in common; {PLACE_OF_WEEK} stands for a number, "
            f"{PLACE_OF_TIME} for a time with its unit (6 weeks, 3mo, pre).",
            f'pattern = "pain_w{PLACE_OF_WEEK}"'),
        *_SHARED,
    ),
)  # fmt: skip
MEASURE = Section(
    "[measures.NAME]", "A measure of one's own, or a known one with another range or threshold.",
    (
        text_key("unit", "Unit of the values.", "m", required=True),
        choice_key("direction", "Which way improvement goes.", get_args(Direction), None, required=True),
        text_key("label", "Name shown to readers; without it that of the section.", "Hop distance"),
        number_key("lowest", "Lowest plausible value.", 0), number_key("highest", "Highest plausible value.", 4),
        number_key("ideal", "The best value, where values beyond it are no better; improvement is coming nearer to it.", 0),
        number_key("lowest_mean", "A mean of a group below is questioned.", 0.2),
        number_key("highest_mean", "A mean of a group above is questioned.", 3),
        Key("limbs", "a list of texts", 'Limbs it is taken on; without it "none".', 'limbs = ["involved", "uninvolved"]'),
        number_key("decimals", "Decimals shown to readers.", 2, 1),
        text_key("description", "How it is taken.", "best of three hops"),
        Key("thresholds", "a list of tables", "Changes that matter (MIC) or exceed the error of measurement (MDC): value, kind, population, "
            "procedure, follow_up, method, source, mark, accepted, note.",
            'thresholds = [{ value = 0.2, kind = "MIC", population = "adults", source = "where it was found" }]'),
        Key("derived_from", "a list of texts", "Measures it is computed from; such a measure is never stored.",
            'derived_from = ["hop_distance"]'),
        Key("mix_ups", "a list of tables", "Units it is often recorded in by mistake: unit, lowest, highest, what_to_do.",
            'mix_ups = [{ unit = "cm", lowest = 20, highest = 400, what_to_do = "Divide by 100." }]'),
    ),
)  # fmt: skip
_LOG = tuple(key for key in _table_columns("sessions") if key.name in ("level_knee", "level_thigh"))
SESSION_LOG = Section(
    "[session_log]", "A log with one row a home session, summed into weeks; start or week, one of them.",
    (
        Key("patient_id", _COLUMN, "The patient, where the column is called otherwise than under [patients].", 'patient_id = "who"'),
        text_key("start", "Column with the date or time at which the session began; weeks are counted from start under [week].", "began"),
        text_key("end", "Column with the time at which it ended.", "ended"),
        Key("week", _COLUMN, "Week of the programme; days 0 to 6 are week 1.", 'week = "week"'),
        Key("modality", _COLUMN, f"Kind of session, {', '.join(MODALITIES)}; NMES, TENS and other usual spellings are known.",
            'modality = { column = "kind", recode = { "walk" = "exercise" } }',
            required=True),
        Key("minutes", _COLUMN, "Minutes of the session.", 'minutes = "minutes"', required=True),
        *_LOG,
        Key("pauses", _COLUMN, "Pauses made in the session.", 'pauses = "pauses"'),
        Key("prescribed", "a table of modalities and sessions a week, or blocks as below",
            "What every patient was asked; or what each protocol prescribes, in [[session_log.prescribed]].", 'prescribed = { "exercise" = 5 }'),
        Key("weeks", "a list of two whole numbers", _WEEKS, "weeks = [1, 12]"),
    ),
)  # fmt: skip
PRESCRIBED = Section(
    "[[session_log.prescribed]]", "Sessions of one modality that some protocols prescribe. A block for each.",
    (
        Key("protocol", "a text or a list of texts", _PROTOCOLS, 'protocol = ["usual", "early"]', required=True),
        choice_key("modality", "Kind of session.", MODALITIES, None, required=True),
        number_key("sessions", "Sessions a week.", 5, required=True),
        Key("weeks", "a list of two whole numbers", _WEEKS, "weeks = [1, 8]", required=True),
    ),
)  # fmt: skip
PROGRAMME = Section(
    "[[programme]]", "What a session of one modality usually is, for the checks. A block for each.",
    (
        choice_key("modality", "Kind of session.", MODALITIES, None, required=True),
        Key("protocol", "a text or a list of texts", f"{_PROTOCOLS} Without it all.", 'protocol = "early"'),
        number_key("minutes", "Minutes of a session; without it any length is usual.", 20),
        number_key("tolerance", "Minutes more that need no look.", 10, TOLERANCE),
        number_key("most_pauses", "Most pauses in a session; without it any number is usual.", 3),
        Key("levels", "a list of two numbers", "Lowest and highest level, % of the device's maximum; without it any is usual.",
            "levels = [10, 60]"),
    ),
)  # fmt: skip
_BRACE_MORE = (
    *(Key(f"{name}_limit_other_hinge_deg", _COLUMN, f"{name.capitalize()} limit of the other hinge, in deg: says whether both agree.",
          f'{name}_limit_other_hinge_deg = "{name}_lateral"') for name in ("flexion", "extension")),
    number_key("worn_until", "Week in which every brace came off, unless it was set later.", 6),
)  # fmt: skip

MEASURES = Section("[measures]", MEASURE.meaning, (), "a measure, with the keys of [measures.NAME].")
HOME = {"sessions": _home("sessions"), "brace_limits": _home("brace_limits", *_BRACE_MORE), "events": _home("events")}
TOP = Section(
    "At the top", "Keys before the first section; and the sections.",
    (
        choice_key("layout", "long: one row a visit or a value. wide: one row a patient, times in the names of the columns.",
                ("long", "wide"), "long"),
        choice_key("privacy", "Level of de-identification. " + " ".join(f"{name}: {said}." for name, said in LEVELS.items()),
                get_args(Privacy), "safe-harbor"),
        text_key("as_of", "Day up to which the data were collected; without it the last day seen. What is due and who is lost is counted "
            "up to it; at the safe-harbor level its year alone is kept.", "2026-03-31"),
        text_key("reference", "The protocol that the others are compared with, as it is called after recoding.", "usual"),
        *(
            Key(section.heading.strip("[]"), "a section", section.meaning, section.heading, required=section is PATIENTS)
            for section in (FILE, FILES, PATIENTS, VISITS, WEEK, SCHEDULE)
        ),
        Key("values", "sections", LONG_VALUES.meaning, "[[values]]", required=True),
        Key("measures", "sections", MEASURE.meaning, "[measures.hop_distance]"),
        Key("session_log", "a section", SESSION_LOG.meaning, SESSION_LOG.heading),
        Key("programme", "sections", PROGRAMME.meaning, PROGRAMME.heading),
        *(Key(name, "a section", section.meaning, section.heading) for name, section in HOME.items()),
    ),
)  # fmt: skip
_SECTIONS = (
    TOP, FILE, FILES, PATIENTS, COLUMN, VISITS, WEEK, LONG_VALUES, WIDE_VALUES, SCHEDULE, WINDOW, MEASURE, SESSION_LOG, PRESCRIBED,
    PROGRAMME, *HOME.values(),
)  # fmt: skip
