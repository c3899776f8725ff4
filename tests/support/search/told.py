"""What people are told of a search: its progress, its summary, a failing world."""

from __future__ import annotations

import shutil
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, TextIO

from support.search.demanded import FAULTS, PROMISES, RULES
from support.search.plan import Outcome, Tally
from support.search.runner import SHRUNK_MAX, Failing, Found

# How often a line is redrawn on a terminal, and written elsewhere.
REDRAW_S: Final = 0.2
WRITE_S: Final = 30.0
# More seeds of the same broken promise help nobody.
SEEDS_MAX: Final = 10


# --- while it runs ---------------------------------------------------------------------


class Progress:
    """One line redrawn on a terminal; elsewhere a line now and then."""

    def __init__(
        self, stream: TextIO, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = stream
        self._clock = clock
        self._redraws = stream.isatty()
        self._next_s = clock() + (0 if self._redraws else WRITE_S)

    def __call__(self, found: Found) -> None:
        """Show where the search is, unless that was shown just now."""
        now_s = self._clock()
        if now_s < self._next_s:
            return
        line = progress(found)
        if self._redraws:
            # Back to the first column, and all of the line erased (ECMA-48: CR, EL).
            width = shutil.get_terminal_size().columns - 1
            self._stream.write(f"\r\x1b[K{line[:width]}")
            self._next_s = now_s + REDRAW_S
        else:
            self._stream.write(f"{line}\n")
            self._next_s = now_s + WRITE_S
        self._stream.flush()

    def clear(self) -> None:
        """Leave the terminal as it was found."""
        if self._redraws:
            self._stream.write("\r\x1b[K")
            self._stream.flush()


def progress(found: Found) -> str:
    """Return one line: how much of each kind is done, what broke, how long it lasts."""
    total = found.sum
    broken = f"{found.broken} broken"
    if found.shrinking:
        return f"making failing worlds small: {found.shrinking}, {broken}"
    parts = []
    for kind, goal in found.goals.items():
        what = "worlds" if goal.days is None else "device-days"
        done = goal.done(found.tallies[kind])
        parts.append(f"{kind} {done:,.0f} of {goal.wanted:,.0f} {what}")
    parts += [f"{total.worlds:,} worlds in all", broken]
    if found.took_s > 0:
        parts.append(f"{total.device_days / found.took_s:,.1f} device-days/s")
    left_s = seconds_left(found)
    if left_s is not None:
        parts.append(f"{spell(left_s)} left")
    return ", ".join(parts)


def seconds_left(found: Found) -> float | None:
    """Return about how long it still takes; None before each kind has been lived."""
    lane_s = 0.0
    for kind, goal in found.goals.items():
        done = goal.done(found.tallies[kind])
        if done <= 0:
            return None
        lane_s += max(goal.wanted - done, 0.0) * found.lane_s[kind] / done
    return lane_s / found.lanes


def spell(seconds: float) -> str:
    """Return a duration for people."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


# --- at its end ------------------------------------------------------------------------


def summary(found: Found, missing: Sequence[str] | None) -> str:
    """Return what the search came to.

    ``missing`` is what was demanded and not reached, None where nothing was demanded.
    """
    return "\n".join(_summary(found, missing)) + "\n"


def _summary(found: Found, missing: Sequence[str] | None) -> Iterator[str]:
    tallies = list(found.tallies.values())
    total = found.sum
    cpu_s = [found.cpu_s[kind] for kind in found.tallies]
    yield _line("", found.tallies)
    yield _row("worlds", [tally.worlds for tally in tallies])
    yield _row("device-days", [tally.device_days for tally in tallies])
    yield _row("crashes survived", [tally.crashes for tally in tallies])
    yield _row("switchings", [tally.switchings for tally in tallies])
    yield _row("CPU, s", cpu_s)
    yield from _table(
        "Incidents",
        {name: name for name in sorted(total.incidents)},
        [tally.incidents for tally in tallies],
    )
    yield from _table(
        "Promises, how often checked",
        {n: f"{n} {text}" for n, text in PROMISES.items()},
        [tally.checks for tally in tallies],
    )
    codes = (*RULES, *sorted(set(total.rules) - set(RULES)))
    yield from _table(
        "Rules reached, in worlds",
        {code: code for code in codes},
        [tally.rules for tally in tallies],
    )
    yield from _table(
        "Faults reached, in worlds",
        {n: f"{n:>2} {FAULTS.get(n, 'not in the list')}" for n in sorted(total.faults)},
        [tally.faults for tally in tallies],
    )
    yield ""
    cut_short = f"Cut short: {found.cut_short}. " if found.cut_short else ""
    yield f"{cut_short}Took {spell(found.took_s)}, {spell(sum(cpu_s))} of CPU."
    longest_s, kind, seed = found.longest
    if kind:
        yield f"The longest world took {spell(longest_s)}: {kind} seed {seed}."
    if missing:
        yield f"Demanded and not reached: {len(missing)}"
        yield from (f"  {each}" for each in missing)
    elif missing is not None:
        yield "All that is demanded was reached."
    yield f"Worlds with a broken promise: {found.broken}"
    for n, failing in enumerate(found.failing.values()):
        yield ""
        yield from _failing(failing, is_past_bound=n >= SHRUNK_MAX)


def _table(
    title: str, labels: Mapping[Any, str], counts: Sequence[Counter[Any]]
) -> Iterator[str]:
    if labels:
        yield ""
        yield title
    for key, label in labels.items():
        yield _row(label, [each[key] for each in counts])


def _row(label: str, figures: Sequence[float]) -> str:
    return _line(label, [f"{figure:,.0f}" for figure in figures])


def _line(label: str, cells: Iterable[str]) -> str:
    return f"  {label:<50}" + "".join(f"{cell:>12}" for cell in cells)


def _failing(failing: Failing, *, is_past_bound: bool) -> Iterator[str]:
    yield from world(failing.least).splitlines()
    others = failing.seeds[1:]
    if others:
        told = " ".join(map(str, others[:SEEDS_MAX]))
        more = len(others) - SEEDS_MAX
        yield f"  the same in seeds {told}" + (f" and {more} more" if more > 0 else "")
    made = failing.shrunk
    if made is None:
        yield "  not made smaller" + (", others came first" if is_past_bound else "")
    elif not made.repeats:
        yield "  IT DID NOT BREAK AGAIN: this world is not its seed's alone"
    else:
        of, left = failing.first.plan, made.least.plan
        yield (
            f"  made smaller in {made.lives} lives: {len(of.incidents)} incidents to "
            f"{len(left.incidents)}, {of.hours:g} h to {left.hours:g} h"
        )


def world(outcome: Outcome) -> str:
    """Return one world: its rerun line, what it broke, its incidents, its last events."""
    plan = outcome.plan
    lines = [plan.rerun]
    lines += [f"  broken: {each}" for each in outcome.broken] or ["  nothing broken"]
    lines.append(f"  incidents ({len(plan.incidents)} of {plan.of}), {plan.hours:g} h:")
    lines += [f"    {each}" for each in plan.incidents]
    lines.append("  last events:")
    lines += [f"    {each}" for each in outcome.last_events]
    return "\n".join(lines) + "\n"


# --- for programs ----------------------------------------------------------------------


def document(found: Found, missing: Sequence[str] | None) -> dict[str, Any]:
    """Return the summary as plain values for JSON."""
    return {
        "kinds": {
            kind: {**_plain(tally), "cpu_s": round(found.cpu_s[kind], 3)}
            for kind, tally in found.tallies.items()
        },
        "took_s": round(found.took_s, 3),
        "cut_short": found.cut_short or None,
        "not_reached": None if missing is None else list(missing),
        "broken_worlds": found.broken,
        "broken": [
            {
                **world_document(each.least),
                "seeds": each.seeds,
                "breaks_again": each.shrunk.repeats if each.shrunk else None,
            }
            for each in found.failing.values()
        ],
    }


def world_document(outcome: Outcome) -> dict[str, Any]:
    """Return one world as plain values for JSON."""
    plan = outcome.plan
    return {
        "kind": plan.kind,
        "seed": plan.seed,
        "hours": plan.hours,
        "rerun": plan.rerun,
        "broken": outcome.broken,
        "incidents": [str(each) for each in plan.incidents],
        "incidents_drawn": plan.of,
        "last_events": outcome.last_events,
    }


def _plain(tally: Tally) -> dict[str, Any]:
    return {
        "worlds": tally.worlds,
        "device_days": round(tally.device_days, 3),
        "crashes": tally.crashes,
        "switchings": tally.switchings,
        "incidents": dict(sorted(tally.incidents.items())),
        "checks": {str(n): count for n, count in sorted(tally.checks.items())},
        "rules": dict(sorted(tally.rules.items())),
        "faults": {str(n): count for n, count in sorted(tally.faults.items())},
    }
