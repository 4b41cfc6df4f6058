"""What a key and a section of a map are, and how both are written out for the map reference and for errors."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """One key of a map.

    ``kind`` says what it takes, ``example`` is a line of TOML; ``default`` is what holds where the key is left out, and
    ``options`` are the only texts allowed.
    """

    name: str
    kind: str
    meaning: str
    example: str
    default: str | float | None = None
    options: tuple[str, ...] = ()
    required: bool = False

    @property
    def lines(self) -> tuple[str, str]:
        """What it takes, what holds without it and what it means; and an example."""
        kind = f"one of {', '.join(map(quoted, self.options))}" if self.options else self.kind
        without = (
            "; required" if self.required else "" if self.default is None else f"; without it {quoted(self.default)}"
        )
        return f"{self.name}: {kind}{without}. {self.meaning}", f"for example: {self.example}"


@dataclass(frozen=True)
class Section:
    """One table of a map: its heading, what it says, and its keys; ``open_to`` says what further keys are, where allowed."""

    heading: str
    meaning: str
    keys: tuple[Key, ...]
    open_to: str = ""

    def key(self, name: str) -> Key | None:
        """Give one key; None where the section declares none of that name."""
        return next((key for key in self.keys if key.name == name), None)

    def lines(self, *names: str) -> list[str]:
        """Give the lines about some keys; a part of one is named as "part in key"."""
        keys = [self.key(name) or self.key(name.rpartition(" ")[2]) for name in names]
        return [line for key in keys if key is not None for line in key.lines]

    def to_text(self) -> str:
        """Give the section in Markdown."""
        lines = [f"## {self.heading}", "", self.meaning, ""]
        for key in self.keys:
            about, example = key.lines
            name, rest = about.split(": ", 1)
            lines += [f"- `{name}`: {rest}", f"  For example: `{example.split(': ', 1)[1]}`"]
        return "\n".join([*lines, *([f"- Any other key: {self.open_to}"] if self.open_to else [])])


def quoted(value: str | float) -> str:
    """Write a value as TOML does."""
    text = value.replace("\t", "\\t") if isinstance(value, str) else value
    return f'"{text}"' if isinstance(text, str) else f"{text:g}"


def text_key(name: str, meaning: str, example: str, *, required: bool = False) -> Key:
    """Declare a key that takes a text."""
    return Key(name, "a text", meaning, f'{name} = "{example}"', required=required)


def number_key(name: str, meaning: str, example: float, default: float | None = None, *, required: bool = False) -> Key:
    """Declare a key that takes a number."""
    return Key(name, "a number", meaning, f"{name} = {example:g}", default, required=required)


def choice_key(
    name: str, meaning: str, options: tuple[str, ...], default: str | None, *, required: bool = False
) -> Key:
    """Declare a key that takes one of a few texts."""
    return Key(name, "a text", meaning, f"{name} = {quoted(options[-1])}", default, options, required=required)
