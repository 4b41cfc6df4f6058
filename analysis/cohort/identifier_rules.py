"""What must not be in a de-identified cohort: the identifiers of 45 CFR 164.514(b)(2) as rules, a pattern each.

Names of columns are compared in lower case with underscores between the words. A limited data set (164.514(e)) may keep
dates and places, so those rules say so.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True)
class NameRule:
    """A kind of identifier told by the name of its column."""

    what: str
    paragraph: str
    pattern: re.Pattern[str]
    allowed_in_limited: bool = False


@dataclass(frozen=True)
class ValueRule:
    """A kind of identifier told by what stands in the cells; RE2 syntax, compared with the whole trimmed cell."""

    what: str
    paragraph: str
    pattern: str
    allowed_in_limited: bool = False


def _words(*alternatives: str) -> re.Pattern[str]:
    return re.compile(rf"(?:^|_)(?:{'|'.join(alternatives)})(?:_|$)")


_PEOPLE = (
    "patient|participant|subject|person|client|full|first|last|middle|maiden|family|given|birth|preferred|nick|mother|"
    "father|parent|spouse|partner|relative|kin|contact|emergency_contact|employer|surgeon|therapist|physio|"
    "physiotherapist|physician|doctor|clinician|gp|nurse|user"
)
_NUMBER = "no|nr|num|number|id|code"

NAME_RULES: tuple[NameRule, ...] = (
    NameRule(
        "a name",
        "(A) names",
        re.compile(
            rf"^(?:name|names|(?:{_PEOPLE})_?names?|surname|forename|initials|(?:patient|subject)_initials|next_of_kin|"
            r"vorname|nachname|nom|prenom|apellido|apellidos|nombre|cognome)$"
        ),
    ),
    NameRule(
        "a place smaller than a state",
        "(B) geographic subdivisions",
        _words(
            "address",
            "street",
            "zip",
            "zip_?code",
            "post_?code",
            "postal_code",
            "city",
            "town",
            "county",
            "village",
            "latitude",
            "longitude",
            "geo_?code",
            "gps",
            "plz",
            "wohnort",
        ),
        allowed_in_limited=True,
    ),
    NameRule(
        "a date",
        "(C) dates",
        re.compile(
            r"(?:^|_)(?:date|dates|dob|birth_?date|birth_?day|date_?time|timestamp|datum|geburtsdatum|fecha)(?:_|$)|"
            r"_(?:dt|dat)$|^(?:birth|born|day_of_birth|month_of_birth|birth_month|surgery_month|surgery_day)$"
        ),
        allowed_in_limited=True,
    ),
    NameRule(
        "a telephone number",
        "(D) telephone numbers",
        _words("phone", "telephone", "tel", "mobile", "mobile_?phone", "cell_?phone", "phone_?number", "telefon"),
    ),
    NameRule("a fax number", "(E) fax numbers", _words("fax", "telefax")),
    NameRule("an e-mail address", "(F) e-mail addresses", _words("e_?mail", "mail", "mail_?address")),
    NameRule(
        "a social security number",
        "(G) social security numbers",
        _words(
            "ssn", "social_security(?:_(?:no|number))?", "national_(?:id|insurance)(?:_(?:no|number))?", "nino", "ahv"
        ),
    ),
    NameRule(
        "a medical record number",
        "(H) medical record numbers",
        re.compile(
            rf"(?:^|_)(?:mrn|nhs(?:_(?:{_NUMBER}))?|chi_number|"
            rf"(?:medical_?record|record|hospital|chart|case|encounter|admission|accession|file|episode)_(?:{_NUMBER}))(?:_|$)"
        ),
    ),
    NameRule(
        "a health plan number",
        "(I) health plan beneficiary numbers",
        _words(rf"(?:insurance|policy|plan|health_plan|member|beneficiary|medicare|medicaid)_(?:{_NUMBER})"),
    ),
    NameRule("an account number", "(J) account numbers", _words(rf"account(?:_(?:{_NUMBER}))?", "iban", "credit_card")),
    NameRule(
        "a certificate or licence number",
        "(K) certificate and licence numbers",
        _words(rf"(?:licen[cs]e|certificate|passport|driving_licen[cs]e|drivers_licen[cs]e)(?:_(?:{_NUMBER}))?"),
    ),
    NameRule(
        "a vehicle",
        "(L) vehicle identifiers",
        _words(
            "licen[cs]e_plate", "number_plate", "plate_number", "vin", rf"vehicle_(?:{_NUMBER})", "car_registration"
        ),
    ),
    NameRule(
        "a device identifier or serial number",
        "(M) device identifiers and serial numbers",
        _words(
            "serial",
            rf"serial_?(?:{_NUMBER})",
            rf"(?:device|brace|garment|stimulator|implant|unit|sensor)_(?:{_NUMBER})",
            "imei",
            "udi",
            "mac",
            "mac_address",
            "lot_number",
        ),
    ),
    NameRule(
        "a web address", "(N) URLs", _words("url", "urls", "website", "web_?site", "web_?page", "homepage", "link")
    ),
    NameRule("an IP address", "(O) IP addresses", _words("ip", "ip_?addr(?:ess)?", "ipv4", "ipv6")),
    NameRule(
        "a biometric identifier",
        "(P) biometric identifiers",
        _words("finger_?prints?", "voice_?prints?", "retina_scan", "iris_scan", "biometrics?", "genome", "dna"),
    ),
    NameRule(
        "a picture",
        "(Q) full-face photographs",
        _words("photo", "photos", "photograph", "picture", "face", "selfie", "video"),
    ),
    NameRule(
        "another unique code",
        "(R) any other unique identifying number or code",
        _words(rf"(?:user|login|twitter|facebook|instagram|whatsapp)(?:_(?:{_NUMBER}|handle))?", "username", "handle"),
    ),
)

_MONTH = (
    r"(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|"
    r"nov(?:ember)?|dec(?:ember)?)"
)
_DAY, _MONTH_NUMBER, _YEAR = r"(?:0?[1-9]|[12]\d|3[01])", r"(?:0?[1-9]|1[0-2])", r"(?:19|20)\d\d"
_TIME = r"(?:[T ]\d\d?:\d\d.*)?"
DATE_PATTERN = (
    r"(?i)(?:"
    rf"{_YEAR}[-/.]{_MONTH_NUMBER}[-/.]{_DAY}{_TIME}"
    rf"|{_YEAR}[-/]{_MONTH_NUMBER}"
    rf"|{_DAY}[-/.]{_MONTH_NUMBER}[-/.](?:{_YEAR}|\d\d){_TIME}"
    rf"|{_MONTH_NUMBER}[-/.]{_DAY}[-/.](?:{_YEAR}|\d\d){_TIME}"
    rf"|{_DAY}(?:st|nd|rd|th)?[ .-]*{_MONTH}[ .,-]*(?:{_YEAR}|\d\d)"
    rf"|{_MONTH}[ .]+{_DAY}(?:st|nd|rd|th)?[ ,]+{_YEAR}"
    rf"|{_MONTH}[ .]+{_YEAR}"
    r")"
)
_OCTET = r"(?:25[0-5]|2[0-4]\d|1?\d?\d)"

VALUE_RULES: tuple[ValueRule, ...] = (
    ValueRule("an e-mail address", "(F) e-mail addresses", r".*[^\s@,;<>]+@[^\s@,;<>]+\.[A-Za-z]{2,}.*"),
    ValueRule("a web address", "(N) URLs", r"(?i).*(?:https?://|www\.)\S+.*"),
    ValueRule(
        "an IP address",
        "(O) IP addresses",
        rf"{_OCTET}\.{_OCTET}\.{_OCTET}\.{_OCTET}(?::\d+)?|(?:[0-9A-Fa-f]{{1,4}}:){{7}}[0-9A-Fa-f]{{1,4}}",
    ),
    ValueRule("a social security number", "(G) social security numbers", r".*\b\d{3}-\d{2}-\d{4}\b.*"),
    ValueRule(
        "a telephone number",
        "(D) telephone numbers",
        r"(?i)(?:(?:tel|phone|fax|mobile|cell|call)[.:]?\s*)?(?:\+\d{1,3}[\s().-]*\d[\d\s().-]{6,}\d"
        r"|\(\d{2,5}\)[\s.-]*\d[\d\s.-]{4,}\d|\d{3}[ .-]\d{3}[ .-]\d{4}|0\d{2,4}[ /-]\d{3,}[\d -]*)",
    ),
    ValueRule("a date", "(C) dates", DATE_PATTERN, allowed_in_limited=True),
    ValueRule(
        "a record, account or licence number",
        "(H) to (K) record, plan, account and licence numbers",
        r"(?i).*\b(?:mrn|nhs|medical record|hospital|chart|policy|member|account|acct|iban|passport|licen[cs]e)"
        r"\s*(?:no|nr|number|id)?\.?\s*[:#-]?\s*[A-Z]{0,3}\d[\d -]{4,}.*",
    ),
    ValueRule(
        "a device identifier or serial number",
        "(M) device identifiers and serial numbers",
        r"(?i).*\b(?:s/n|sn|serial(?:\s*(?:no|nr|number))?|udi|imei|lot)\b\.?\s*[:#-]?\s*[A-Z0-9-]*\d{3}[A-Z0-9-]*.*"
        r"|\(01\)\d{14}.*|(?:[0-9A-F]{2}[:-]){5}[0-9A-F]{2}",
    ),
    ValueRule(
        "a person's name",
        "(A) names",
        r".*\b(?:Mr|Mrs|Ms|Miss|Dr|Prof|Herr|Frau|Mme|Sra?)\.?\s+[A-Z][a-z]+.*",
    ),
    ValueRule(
        "a street address",
        "(B) geographic subdivisions",
        r"(?i)\d{1,5}[a-z]?\s+(?:[a-z.'-]+\s+){1,4}(?:street|st|road|rd|avenue|ave|lane|ln|drive|dr|boulevard|blvd|court)"
        r"\b.*",
        allowed_in_limited=False,
    ),
    ValueRule("a ZIP code", "(B) geographic subdivisions", r"\d{5}-\d{4}", allowed_in_limited=True),
)

_WORDS = tomllib.loads(resources.files("analysis.cohort").joinpath("identifier_words.toml").read_text(encoding="utf-8"))

#: Words that an opaque identifier may hold; anything else that reads like words could be a name.
OPAQUE_WORDS = frozenset(_WORDS["opaque_words"])
#: Given names common in several countries, to tell a name from a word.
GIVEN_NAMES = frozenset(_WORDS["given_names"])
