"""The start: an empty bank on the source, and the fuse that must live through it."""

from __future__ import annotations

from collections.abc import Iterator

from tidegate.eliminator.asked import Asked
from tidegate.eliminator.check import Check, Outcome, weighed
from tidegate.eliminator.inrush import (
    FUSE_SHARE,
    LEAST_RATING_A,
    MELTING_S,
    PULSE_SHARE,
    Fuse,
    Inrush,
    spared_ohm,
)
from tidegate.eliminator.regulator import Feed
from tidegate.eliminator.series import FUSES, at_least
from tidegate.eliminator.source import USB_INRUSH_C
from tidegate.eliminator.units import rounded_up, shown
from tidegate.eliminator.wire import thicker

_FUSE_SOURCE = (
    "a fuse carries 75 % of its rating for long (common practice, no source); "
    "ratings: IEC 60127 (from memory)"
)
_MELTING_SOURCE = (
    "∫ i² dt = V² C/2R; a time-lag fuse stands ten times its rating for 10 ms "
    "(IEC 60127-2), 29 % of that for 10,000 starts (both from memory)"
)


def checks(
    asked: Asked, found: Feed | None, start: Inrush | None, chosen: Fuse | None
) -> Iterator[Check]:
    """Yield the checks of the start and of the fuse."""
    yield _inrush(asked, start)
    yield _rating(asked, found, chosen)
    yield _melting(start, chosen)


def is_small(asked: Asked, start: Inrush) -> bool:
    """Whether it is within what every USB port must stand at once."""
    return asked.source.is_usb and start.charge_c <= USB_INRUSH_C * (1 + 1e-9)


def _inrush(asked: Asked, start: Inrush | None) -> Check:
    name = "Inrush as the empty bank meets the source"
    if start is None:
        return _untold("inrush", name, limit=asked.may_give_a, unit="A")
    text = (
        f"V/R = {shown(start.volt, 'V')} / {shown(start.ohm, 'Ω')} (cable at 20 °C and "
        f"pre-charge); {shown(start.charge_c, 'C')}, {shown(start.energy_j, 'J')}, "
        f"95 % after {shown(start.settled_s, 's')}"
    )
    if is_small(asked, start):
        return weighed(
            "inrush",
            name,
            value=start.charge_c,
            limit=USB_INRUSH_C,
            unit="C",
            is_most=True,
            formula=f"C V; {text}",
            source="USB 2.0, 7.2.4.1: 10 µF or 50 µC at once (from memory)",
        )
    return weighed(
        "inrush",
        name,
        value=start.peak_a,
        limit=asked.may_give_a,
        unit="A",
        is_most=True,
        formula=text,
        source="R C discharge; limited to what the source may give, as USB asks "
        "(USB 2.0, 7.2.4.1, from memory)",
        mend=(
            "a pre-charge resistor, bridged once the bank is full, or a soft start "
            f"within {shown(asked.may_give_a, 'A')}: --precharge auto",
        ),
    )


def _rating(asked: Asked, found: Feed | None, chosen: Fuse | None) -> Check:
    name = "Rating of the fuse at the source"
    wire_a = asked.wire.most_a(asked.ambient_c)
    most_a = min(wire_a, asked.may_give_a)
    if found is None:
        return _untold("fuse_rating", name, limit=most_a, unit="A")
    least_a = found.current_a / FUSE_SHARE
    text = (
        f"at least {shown(found.current_a, 'A')} / {100 * FUSE_SHARE:g} % = "
        f"{shown(least_a, 'A')}; at most the wire's {shown(wire_a, 'A')} (60 °C) and "
        f"the source's {shown(asked.may_give_a, 'A')}"
    )
    mend = _mend_rating(asked, least_a)
    if chosen is None:
        # No rating that is made fits between: what is short is room for one.
        return weighed(
            "fuse_rating",
            name,
            value=None,
            limit=most_a,
            unit="A",
            is_most=True,
            formula=f"no rating fits: {text}",
            source=_FUSE_SOURCE,
            mend=mend,
        )
    # The nearer of both bounds is the one that is told.
    is_low = chosen.rating_a < least_a * (1 - 1e-9)
    return weighed(
        "fuse_rating",
        name,
        value=chosen.rating_a,
        limit=least_a if is_low else most_a,
        unit="A",
        is_most=not is_low,
        formula=text,
        source=_FUSE_SOURCE,
        mend=mend,
    )


def _mend_rating(asked: Asked, least_a: float) -> tuple[str, ...]:
    said = []
    rating_a = at_least(max(least_a, LEAST_RATING_A), FUSES)
    if asked.may_give_a < rating_a:
        said.append(f"a source of at least {shown(rating_a, 'A')}")
    if asked.wire.most_a(asked.ambient_c) < rating_a:
        wires = thicker(asked.wire)
        enough = (each for each in wires if each.most_a(asked.ambient_c) >= rating_a)
        found = next(enough, None)
        said.append(
            "less current, or cooler surroundings"
            if found is None
            else f"thicker cable: {found.name}"
        )
    if asked.fuse_a is not None:
        said.append(f"a fuse of {shown(rating_a, 'A')}: leave --fuse out")
    return (", and ".join(said),)


def _melting(start: Inrush | None, chosen: Fuse | None) -> Check:
    name = "I²t of the inrush in the fuse"
    if start is None or chosen is None:
        return _untold("fuse_melting", name, limit=None, unit="A²s")
    limit = PULSE_SHARE * chosen.melting_a2s
    text = (
        f"({shown(start.volt, 'V')})² × {shown(start.farad, 'F')} / "
        f"(2 × {shown(start.ohm, 'Ω')}); {100 * PULSE_SHARE:g} % of "
        f"{shown(chosen.melting_a2s, 'A²s')} of the {shown(chosen.rating_a, 'A')} fuse"
    )
    if start.peak_a <= chosen.rating_a:
        return Check(
            code="fuse_melting",
            name=name,
            outcome=Outcome.PASSES,
            value=start.i2t_a2s,
            limit=None,
            unit="A²s",
            is_most=True,
            formula=f"{text}; the peak of {shown(start.peak_a, 'A')} is not above its "
            "rating, so it never melts",
            source=_MELTING_SOURCE,
        )
    return weighed(
        "fuse_melting",
        name,
        value=start.i2t_a2s,
        limit=limit,
        unit="A²s",
        is_most=True,
        formula=text,
        source=_MELTING_SOURCE,
        mend=(
            "pre-charge through at least "
            f"{shown(rounded_up(spared_ohm(start, chosen)), 'Ω')} in all",
            "a fuse of higher melting I²t, by its data sheet: --melting "
            f"{start.i2t_a2s / PULSE_SHARE:.2g}A2s (In² × {MELTING_S:g} s is taken)",
        ),
    )


def _untold(code: str, name: str, *, limit: float | None, unit: str) -> Check:
    return Check(
        code=code,
        name=name,
        outcome=Outcome.UNKNOWN,
        value=None,
        limit=limit,
        unit=unit,
        is_most=True,
        formula="what it rests on fails: mend that first",
        source=_FUSE_SOURCE if code != "inrush" else "R C discharge",
    )
