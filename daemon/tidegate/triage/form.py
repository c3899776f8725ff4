"""The form of an inspection as TOML: read, empty, and filled in."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from pathlib import Path
from textwrap import wrap
from typing import Any, Final, Self

from tidegate.errors import TidegateError
from tidegate.settings.files import locate
from tidegate.settings.problems import nearest, shown
from tidegate.triage.inspection import KEYS, SIGNS, Inspection, Told
from tidegate.triage.questions import QUESTION, QUESTIONS, NotThis, Question

# A form is a kilobyte; what is larger is something else.
LARGEST_BYTES: Final = 1 << 18
_AT_LINE: Final = re.compile(r"\(at line (\d+), column (\d+)\)$")
# A sign that says yes in what is no good form, such as one without its quotes.
_SIGN: Final = re.compile(
    rf"^[ \t]*({'|'.join(SIGNS)})[ \t]*=[ \t\"']*(?:yes|y|true)\b",
    re.MULTILINE | re.IGNORECASE,
)
_HEAD: Final = """\
# An inspection of one device, for `tidegate triage --inspection FILE`.
# Safety comes first. Answer "yes", "no" or "unknown"; what is left out is unknown, and
# with an unknown sign nobody is told that all is well. Any sign that is "yes" ends the
# inspection: take the device out of use, and press, pierce, charge or ship nothing.
"""


class FormError(TidegateError):
    """A form that cannot be read: names file, line, key, found and allowed.

    ``seen`` holds the signs of danger that could be read all the same.
    """

    seen: Inspection = Inspection()

    def with_signs(self, keys: Iterable[str]) -> Self:
        """Return it with the signs that were seen; they are not lost for a fault."""
        seen: dict[str, Any] = dict.fromkeys(keys, Told.YES)
        self.seen = Inspection(**seen)
        return self


class FormAbsent(FormError):
    """There is no file where a form was named."""


def read_form(file: Path) -> Inspection:
    """Return the inspection in a file. Errors: FormAbsent, FormError with all faults,
    OSError.
    """
    text = _text(file)
    try:
        tables = tomllib.loads(text)
    except RecursionError as error:
        raise FormError(f"{file}: lists or tables are nested too deep") from error
    except ValueError as error:
        raise FormError(
            f"{file}: this is not TOML: {_said(error)}",
            remedy='Write keys as key = "yes"; `tidegate triage --form` prints a form',
        ).with_signs(_signs(text)) from error
    lines = locate(text)
    faults: list[str] = []
    values: dict[str, Any] = {}
    for key, found in tables.items():
        where = f"{file}:{lines.get((key,), 1)}: {_shown_key(key)}"
        try:
            values[key] = answered(key, found)
        except NotThis as error:
            faults.append(f"{where}: {error}")
    if faults:
        seen = [key for key in SIGNS if values.get(key) is Told.YES]
        raise FormError("\n".join(faults)).with_signs([*seen, *_signs(text)])
    return Inspection(**values)


def answered(key: str, found: object) -> Told | float | date | str:
    """Return the value of a key. Errors: NotThis with what was found and is allowed."""
    question = QUESTION.get(key)
    if question is None:
        raise NotThis(unknown_key(key))
    try:
        return question.value(found)
    except NotThis as error:
        raise NotThis(f"found {shown(found)}, allowed is {error}") from error


def unknown_key(key: str, *more: str) -> str:
    """Return what is said of a key that no question has; ``more`` are known too."""
    known = (*KEYS, *more)
    near = nearest(key, known)
    return f"unknown key{near or '; `tidegate triage --form` lists the known ones'}"


def _text(file: Path) -> str:
    try:
        with file.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise FormAbsent(
            f"there is no inspection at {file}",
            remedy="`tidegate triage --form` prints an empty one to fill in",
        ) from error
    except IsADirectoryError as error:
        raise FormError(f"{file} is a folder", remedy="Name the TOML file") from error
    if len(data) > LARGEST_BYTES:
        raise FormError(f"{file} is too large for an inspection", remedy="Name a form")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise FormError(
            f"{file}:{line}: the text is not UTF-8", remedy="Save it as UTF-8"
        ).with_signs(_signs(data.decode("latin-1"))) from error


def _signs(text: str) -> list[str]:
    return [key.lower() for key in _SIGN.findall(text)]


def _said(error: ValueError) -> str:
    said = " ".join(str(error).split())
    at = _AT_LINE.search(said)
    if at is None:
        return said[:1].lower() + said[1:]
    said = said[: at.start()].strip()
    return f"line {at[1]}, column {at[2]}: {said[:1].lower()}{said[1:]}"


def _shown_key(key: str) -> str:
    return key if key.isprintable() and len(key) <= 60 else json.dumps(key)[1:61]


# --- written --------------------------------------------------------------------------


def empty_form() -> str:
    """Return a form with every key and what it asks for."""
    return _form({})


def filled_form(inspection: Inspection) -> str:
    """Return a form that reads as this inspection again."""
    return _form({key: getattr(inspection, key) for key in KEYS})


def _form(values: Mapping[str, object]) -> str:
    lines = [_HEAD]
    for question in QUESTIONS:
        lines += [*_comments(question), _line(question, values.get(question.key)), ""]
    return "\n".join(lines)


def _comments(question: Question) -> Iterator[str]:
    texts = [question.asks, question.looks]
    if question.kind != "told":
        texts.append(f"{question.allowed[:1].upper()}{question.allowed[1:]}.")
    for text in filter(None, texts):
        yield from wrap(text, 88, initial_indent="# ", subsequent_indent="# ")


def _line(question: Question, value: object) -> str:
    if question.kind == "told":
        told = value if isinstance(value, Told) else Told.UNKNOWN
        return f'{question.key} = "{told}"'
    if value is None:
        return f"# {question.key} ="
    if isinstance(value, float):
        return f"{question.key} = {value!r}"
    if isinstance(value, date):
        return f"{question.key} = {value.isoformat()}"
    return f"{question.key} = {_quoted(str(value))}"


def _quoted(text: str) -> str:
    """Return a basic string of TOML 1.0: its escapes are those of JSON, but DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
