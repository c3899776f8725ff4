"""Looking at a picture without a browser: where its texts are, by a font's advance."""

from __future__ import annotations

import re

from tidegate.report.ink import CHARACTER
from tidegate.report.story import InForce


def all_along(marks, floor_percent, from_ms, until_ms):
    """One window and floor over the whole time, as a story tells it."""
    return [
        InForce(
            from_ms=from_ms, until_ms=until_ms, marks=marks, floor_percent=floor_percent
        )
    ]


def of_class(svg, name):
    return [each for each in svg.iter() if each.get("class") == name]


def texts(svg):
    return ["".join(each.itertext()) for each in svg.iter("text")]


def box_of(svg):
    return tuple(float(part) for part in svg.get("viewBox").split()[2:])


def extent(text):
    """The place that a text takes: left, right, top, bottom."""
    x, y = float(text.get("x")), float(text.get("y"))
    wide = CHARACTER * len("".join(text.itertext()))
    shift = {"start": 0, "middle": wide / 2, "end": wide}[text.get("text-anchor")]
    return x - shift, x - shift + wide, y - 10, y + 3


def assert_inside(svg):
    """Every text and every absolute point lies in the picture, every number is one."""
    width, height = box_of(svg)
    for text in svg.iter("text"):
        left, right, top, bottom = extent(text)
        said = "".join(text.itertext())
        assert left >= -1, said
        assert right <= width + 1, said
        assert top >= 0, said
        assert bottom <= height, said
    for path in svg.iter("path"):
        drawn = path.get("d")
        assert not re.search(r"nan|inf|e", drawn), drawn
        if path.get("transform"):
            continue
        for x, y in re.findall(r"[ML ](-?[\d.]+),(-?[\d.]+)", drawn):
            assert -0.01 <= float(x) <= width + 0.01
            assert -0.01 <= float(y) <= height + 0.01


def assert_apart(svg):
    """No text lies on another."""
    found = [(extent(each), "".join(each.itertext())) for each in svg.iter("text")]
    for index, ((left, right, top, bottom), said) in enumerate(found):
        for (left2, right2, top2, bottom2), other in found[:index]:
            apart = right <= left2 or right2 <= left or bottom <= top2 or bottom2 <= top
            assert apart, (said, other)
