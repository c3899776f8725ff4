"""What every page must keep in a browser: the scripts that look, and what they find."""

from __future__ import annotations

from itertools import combinations
from typing import Any

VISIBLE = """() => [...document.querySelectorAll('svg')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .map(svg => { const box = svg.getBoundingClientRect();
                return [svg.getAttribute('class'), box.left, box.right, box.width,
                        box.height]; })"""
SIDEWAYS = """() => [document.documentElement.scrollWidth,
                      document.documentElement.clientWidth]"""
SPILLED = """() => [...document.querySelectorAll('td, th, p, h1, h2, h3')]
  .filter(each => !each.closest('thead') && each.scrollWidth > each.clientWidth + 1)
  .map(each => each.textContent)"""
# Boxes of all text, picture by picture, in the picture's own units.
TEXTS = """() => [...document.querySelectorAll('svg')]
  .filter(svg => getComputedStyle(svg).display !== 'none')
  .map(svg => [svg.getAttribute('class'), svg.viewBox.baseVal.width,
    svg.viewBox.baseVal.height,
    svg.getBoundingClientRect().width / svg.viewBox.baseVal.width,
    [...svg.querySelectorAll('text')].map(text => {
      const box = text.getBBox();
      return [text.textContent, box.x, box.y, box.width, box.height]; })])"""
PAPER = "() => getComputedStyle(document.body).backgroundColor"


def labels_lie_apart(pictures: Any, *, least_pixels: float = 11) -> None:
    """Hold the labels of pictures (``TEXTS``) inside, apart and large enough."""
    for kind, all_wide, all_high, scale, texts in pictures:
        # Letters are of 12.8 units.
        assert 12.8 * scale >= least_pixels, kind
        for said, x, y, wide, high in texts:
            assert x >= -1, (kind, said)
            assert y >= -1, (kind, said)
            assert x + wide <= all_wide + 1, (kind, said)
            assert y + high <= all_high + 1, (kind, said)
        for one, two in combinations(texts, 2):
            across = min(one[1] + one[3], two[1] + two[3]) - max(one[1], two[1])
            down = min(one[2] + one[4], two[2] + two[4]) - max(one[2], two[2])
            # The boxes of a font hold room above and below its letters.
            assert across <= 0 or down <= 4, (kind, one[0], two[0])
