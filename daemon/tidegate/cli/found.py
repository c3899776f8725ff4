"""What ``tidegate find`` prints: what is in reach, by what a person looks for."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any, Final

from tidegate.find import Source, State, Thing

# What a person looks for, and the kinds that show it. Any other kind, such as one of
# somebody else's, has a group of its own.
_GROUPS: Final = {
    "Batteries of this machine": ("gauge sysfs",),
    "Android devices": ("gauge adb",),
    "Bluetooth": ("gauge ble-battery", "relay ble"),
    "Serial ports": (
        "relay serial-frame",
        "relay serial-text",
        "relay serial-line",
        "relay modbus",
    ),
    "USB relay boards": ("relay hid",),
    "USB hub ports": ("relay usb-port",),
    "GPIO lines": ("relay gpio",),
    "What the kernel itself can hold back": ("relay kernel",),
}
_GROUP_OF: Final = {kind: group for group, kinds in _GROUPS.items() for kind in kinds}

_WINDOW: Final = "window = { low = 55, high = 65 }"


def as_document(sources: Sequence[Source], warnings: Sequence[str]) -> dict[str, Any]:
    """Return the one document of ``find --json``."""
    return {
        "found": [
            {
                "role": thing.role,
                "kind": thing.kind,
                "what": thing.found.what,
                "where": thing.found.where,
                "table": thing.found.table,
                "why_not": thing.found.why_not or None,
                "remedy": thing.found.remedy or None,
            }
            for thing in things_of(sources)
        ],
        "sources": [
            {
                "role": source.role,
                "kind": source.kind,
                "distribution": source.distribution,
                "state": source.state.value,
                "why": source.why or None,
                "remedy": source.remedy or None,
                "took_s": source.took_s,
            }
            for source in sources
        ],
        "warnings": list(warnings),
    }


def things_of(sources: Iterable[Source]) -> list[Thing]:
    """Return all that was found, usable or not."""
    return [thing for source in sources for thing in source.things]


def as_text(sources: Sequence[Source], *, width: int | None) -> list[str]:
    """Return the verdict, what was found by group, what was not searched, and a station.

    Lines to paste are never broken; ``width`` is for the others, ``None`` for no end.
    """
    things = things_of(sources)
    lines = [_verdict(things)]
    for group in sorted({_group(thing) for thing in things}, key=_rank):
        lines += ["", group]
        lines += _inside([t for t in things if _group(t) == group], width)
    for part in (_not_searched(sources, width), _by_hand(sources, width)):
        lines += ["", *part] if part else []
    if any(thing.line is not None for thing in things):
        lines += ["", *_next(things, width)]
    return lines


def _verdict(things: Sequence[Thing]) -> str:
    usable = [thing for thing in things if thing.line is not None]
    if not usable:
        return "Nothing is in reach that a station could use."
    counts = [
        _counted(role, sum(thing.role == role for thing in usable))
        for role in ("gauge", "relay")
    ]
    return f"In reach: settings for {' and '.join(counts)}. Nothing was switched."


def _counted(role: str, count: int) -> str:
    return f"1 {role}" if count == 1 else f"{count or 'no'} {role}s"


def _group(thing: Thing) -> str:
    own = f"{thing.role} {thing.kind}"
    return _GROUP_OF.get(own, own.capitalize())


def _rank(group: str) -> tuple[int, str]:
    known = list(_GROUPS)
    return (known.index(group) if group in known else len(known), group)


def _inside(things: Sequence[Thing], width: int | None) -> list[str]:
    """Return a group by place; what is to be noted of several places stands once."""
    places: dict[str, list[Thing]] = {}
    notes: dict[str, set[str]] = {}
    for thing in things:
        where = thing.found.where
        places.setdefault(where, []).append(thing)
        if thing.found.table is not None and thing.found.remedy:
            notes.setdefault(thing.found.remedy, set()).add(where)
    lines = []
    for where, here in places.items():
        lines += _place(where, here, width)
        for note, wheres in notes.items():
            if wheres == {where}:
                lines += _wrapped(_sentences(note), "    ", width)
    for note, wheres in notes.items():
        if len(wheres) > 1:
            lines += _wrapped(_sentences(note), "  ", width)
    return lines


def _place(where: str, things: Sequence[Thing], width: int | None) -> list[str]:
    """Return what is at one place: what it is, then a line for each kind that fits."""
    whats = dict.fromkeys(thing.found.what for thing in things)
    lines = _wrapped(f"{where}: {'; '.join(whats)}", "  ", width)
    lines += [f"    {thing.line}" for thing in things if thing.line is not None]
    for thing in things:
        found = thing.found
        if found.table is None:
            reason = found.why_not or "it cannot be used"
            said = (
                f"not for {thing.role} {thing.kind}: {_sentences(reason, found.remedy)}"
            )
            lines += _wrapped(said, "    ", width)
    return lines


def _not_searched(sources: Sequence[Source], width: int | None) -> list[str]:
    stopped = [each for each in sources if each.why]
    lines = ["Not searched, or not to the end"] if stopped else []
    for each in stopped:
        said = f"{each.role} {each.kind}: {_sentences(each.why, each.remedy)}"
        lines += _wrapped(said, "  ", width)
    return lines


def _by_hand(sources: Sequence[Source], width: int | None) -> list[str]:
    kinds = [f"{s.role} {s.kind}" for s in sources if s.state is State.BY_HAND]
    if not kinds:
        return []
    said = f"No search of their own, see the examples that come with tidegate: {', '.join(kinds)}."
    return _wrapped(said, "", width)


def _next(things: Sequence[Thing], width: int | None) -> list[str]:
    """Return a station to paste where there is only one that it can be."""
    lines: dict[str, list[str]] = {"gauge": [], "relay": []}
    for thing in things:
        if thing.line is not None:
            lines[thing.role].append(thing.line)
    only = [lines[role][0] for role in lines if len(lines[role]) == 1]
    if len(only) == 2:
        remark = (
            "A relay's contact is taken as normally-closed where its line does not say "
            "otherwise. See that the supply really follows before a device is left alone."
        )
        return [
            "To paste, for a contact in the supply:",
            "[station.NAME]  # give it a name",
            *only,
            _WINDOW,
            *_wrapped(remark, "", width),
        ]
    return _wrapped(
        f"Paste one gauge and one relay into a table [station.NAME], with {_WINDOW}, "
        "or a gauge alone to measure only.",
        "",
        width,
    )


def _sentences(*parts: str) -> str:
    return " ".join(f"{part.rstrip('.')}." for part in parts if part)


def _wrapped(text: str, indent: str, width: int | None) -> list[str]:
    if width is None:
        return [indent + text]
    return textwrap.wrap(
        text,
        max(width, 40),
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
