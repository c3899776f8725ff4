"""What the pages of a triage add to the style of all pages: cautions on top, lines to
sign on, and one sheet of A4 in print.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from tidegate.report.parts import document

STYLE: Final = """
.cautions{border:2px solid var(--alarm);padding:.3rem .8rem;margin:0 0 1rem;
font-size:.85rem}
.cautions p{max-width:none;margin:.2rem 0}
.first{border-left:.4rem solid var(--alarm);padding-left:.8rem}
ol,ul{margin:.4rem 0;padding-left:1.4rem;max-width:44rem}
li{margin:.2rem 0}
code{font:inherit;color:var(--soft)}
a{color:var(--soc)}
.bounds{fill:none;stroke:var(--ink);stroke-width:1.8}
.sign{display:grid;gap:1.6rem 2rem;margin:2rem 0 0;
grid-template-columns:repeat(auto-fit,minmax(min(100%,12rem),1fr))}
.sign span{border-top:1px solid var(--ink);padding-top:.2rem;margin-top:2rem;
font-size:.85rem;color:var(--soft)}
.limits{color:var(--soft);font-size:.85rem}
.limits p{max-width:none}
.sheet .numbers tbody th{white-space:nowrap}
@media screen and (max-width:40rem){.devices tbody th{flex-basis:100%}}
@media print{@page{size:A4;margin:8mm 12mm}
.sheet{font-size:8pt;line-height:1.22}
.sheet .cautions{font-size:7pt;border-width:1pt;padding:1mm 2mm;margin:0 0 1.5mm}
.sheet .cautions p,.sheet p,.sheet li{margin:.3mm 0;max-width:none}
.sheet h1{font-size:12pt;margin:1mm 0}
.sheet h2{font-size:8.5pt;margin:1.2mm 0 .3mm}
.sheet ol,.sheet ul{margin:.5mm 0;padding-left:5mm;max-width:none}
.sheet ul{columns:2;column-gap:6mm}
.sheet th,.sheet td{padding-top:.4mm;padding-bottom:.4mm}
.sheet figure{margin:0}
.sheet .pair{gap:1mm 4mm;grid-template-columns:repeat(3,1fr)}
.crowded .figures{display:none}
.sheet svg.small{max-height:19mm}
.sheet .sign{margin:0;gap:0 8mm;grid-template-columns:repeat(3,1fr)}
.sheet .sign span{margin-top:6mm;font-size:7pt}
.sheet .limits{font-size:6.5pt;line-height:1.15}
.sheet .limits p{display:inline;margin:0}}
"""


def styled(title: str, body: Iterable[str]) -> str:
    """Return a whole page with this style after that of all pages."""
    return document(title, body).replace("</style>", f"{STYLE}</style>", 1)
