"""What the lines of a GPIO chip are worth to a station: free, in use, or nameless.

A line is offered only if it has a name. Which pin a nameless one is, only the board's
manual tells, and driving a wrong one may harm the machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from tidegate.contract import Found
from tidegate_backends.linux.gpio_lines import ChipState, LineState


def lines(chips: Sequence[ChipState]) -> Iterator[Found]:
    """Yield what each chip offers, chip by chip."""
    alike = Counter(chip.label for chip in chips)
    for chip in chips:
        # Numbers of chips change with a kernel, labels seldom do.
        by_label = chip.label and alike[chip.label] == 1 and "/" not in chip.label
        yield from _lines_of(chip, name=chip.label if by_label else chip.path)


def _lines_of(chip: ChipState, *, name: str) -> Iterator[Found]:
    """Yield each line that has a name, and one thing for all that have none."""
    if chip.why_not:
        yield Found(
            what="GPIO chip",
            where=chip.path,
            why_not=f"it cannot be listed ({chip.why_not})",
            remedy="Add the user of this program to the chip's group (`gpio` on many "
            "systems), or run `tidegate find` as root.",
        )
        return
    alike = Counter(line.name for line in chip.lines)
    # A nameless line, and one whose name is another's too, has an offset only.
    named = [line for line in chip.lines if line.name and alike[line.name] == 1]
    for line in named:
        yield _named(chip, line, name=name)
    nameless = len(chip.lines) - len(named)
    if nameless:
        yield Found(
            what=f"GPIO chip {_label(chip)}: {nameless} lines without a name of their "
            "own",
            where=chip.path,
            why_not="which pins they are, only the board's manual tells",
            remedy=f'Look up the offset and name it: chip = "{name}", '
            "line = OFFSET. A wrong one may harm the machine.",
        )


def _named(chip: ChipState, line: LineState, *, name: str) -> Found:
    way = "output" if line.is_output else "input"
    what = f"GPIO line {line.name} of {_label(chip)}, offset {line.offset}, {way} now"
    where = f"{chip.path}#{line.offset}"
    if line.is_used:
        return Found(
            what=what,
            where=where,
            why_not=f"in use by {line.consumer or 'the kernel'}",
            remedy="Choose a free line, or end what uses this one.",
        )
    return Found(
        what=what,
        where=where,
        table={"kind": "gpio", "chip": name, "line": line.name},
        remedy="Check with the board's manual that this pin is wired to the contact.",
    )


def _label(chip: ChipState) -> str:
    return chip.label or chip.path
