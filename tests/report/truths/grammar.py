"""Rules of grammar for sentences with numbers in them: what a reader would stumble over."""

import re

COUNTED = [
    "patient", "harm", "week", "visit", "protocol", "comparison", "analysis", "value", "site", "change", "finding",
    "session", "event", "part", "kind", "quarter", "reason", "table", "outcome", "indicator",
]  # fmt: skip
SEVERAL = {"analysis": "analyses"}
SINGULAR, PLURAL = "|".join(COUNTED), "|".join(SEVERAL.get(word, f"{word}s") for word in COUNTED)
#: A number, and not a part of one, of a fraction or of a date.
_ONE, _MANY = r"(?<![\d.,/−+±-])1", r"(?<![\d.,/−+±-])(?:0|[2-9]|\d\d+|\d{1,3}(?:,\d{3})+)"
RULES = {
    "several of one": rf"{_ONE} (?:{PLURAL})\b",
    "one of several": rf"{_MANY} (?:{SINGULAR})\b(?!-)",
    "verb of several after one": rf"{_ONE} (?:{SINGULAR}) (?:are|have|were|lie|do|give)\b",
    "verb of one after several": rf"{_MANY} (?:{PLURAL}) (?:is|has|was|lies|does|gives)\b",
    "weeks of one": r"\b[Ww]eeks \d+(?:\.\d+)?(?=[.;:)]|$)",
    "a word twice": r"\b([A-Za-z]+) \1\b",
    "spaces or stops": r"  | [,.;:](?:\s|$)|\.\.|,,|;;|\( | \)",
    "minus zero": r"−0(?:\.0+)?(?![\d.])",
    "hyphen as minus": r"(?:^|[\s(])-\d",
    "not a number": r"\b(?:nan|NaN|NaT|inf|<NA>)\b",
    "nothing of nothing": r"(?<![\d.])0/0\b",
    "per cent without room": r"\d%",
    "zero in place of none": r"\b(?:in|at|of|zero) 0 of\b",
    "a sentence after not in the data": r"Not in the data: (?:no |not |[A-Z][a-z]+ [a-z])",
    "a before a vowel": r"\ba (?:[aeio]\w{4,}|un[^i]\w+)",
}
#: Words of a sentence, or between two semicolons where it is a list.
MOST_WORDS = 60


def faults(text):
    """Give what is wrong with the sentences of a text, with the place where."""
    found = [
        f"{name}: …{text[max(0, hit.start() - 30) : hit.end() + 20]}…"
        for name, rule in RULES.items()
        for hit in re.finditer(rule, text)
    ]
    for sentence in sentences(text):
        if re.match(r"[\d−+]", sentence):
            found.append(f"begins with a number: {sentence[:60]}")
        longest = max(len(part.split()) for part in sentence.split(";"))
        if longest > MOST_WORDS:
            found.append(f"{longest} words: {sentence[:60]}")
    if re.match(r"[a-z]", text):
        found.append(f"begins small: {text[:60]}")
    return found


def sentences(text):
    """Part a text after full stops that a capital letter or a number follows; not after 'et al.' and the like."""
    return [one for one in re.split(r"(?<![A-Z])(?<!al)(?<!vs)[.!?] (?=[A-Z\d−])", text) if one.strip()]
