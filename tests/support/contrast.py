"""How text stands out from what is behind it.

Source: W3C, Web Content Accessibility Guidelines 2.1, "relative luminance" and
"contrast ratio".
"""

from __future__ import annotations

import re


def channels(colour: str) -> list[float]:
    """Return red, green and blue of a browser's ``rgb(…)``."""
    return [float(each) for each in re.findall(r"[\d.]+", colour)[:3]]


def luminance(colour: str) -> float:
    red, green, blue = (
        part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4
        for part in (each / 255 for each in channels(colour))
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def over(colour: str, opacity: float, paper: str) -> str:
    """Return what a translucent colour looks like on a paper."""
    mixed = (
        opacity * front + (1 - opacity) * back
        for front, back in zip(channels(colour), channels(paper), strict=True)
    )
    return f"rgb({', '.join(f'{each:.1f}' for each in mixed)})"
