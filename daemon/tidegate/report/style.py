"""How a page looks, on a screen of any width, light or dark, and on paper.

Colours: Okabe and Ito, "Color Universal Design" (2008), and greys. In the dark the
blue of the charge gives way to the sky blue of the same palette, which stands out.
The variables of print come last, as they must win over a dark screen's.
"""

from __future__ import annotations

from typing import Final

STYLE: Final = """
:root{color-scheme:light dark;--ink:#1a1a1a;--paper:#fff;--soft:#595959;
--rule:#c9c9c9;--soc:#0072B2;--band:#56B4E9;--alarm:#D55E00;--hot:#E69F00;
--float:#CC79A7;--hold:#009E73}
@media (prefers-color-scheme:dark){:root{--ink:#ececec;--paper:#161616;
--soft:#b5b5b5;--rule:#4d4d4d;--soc:#56B4E9}}
*{box-sizing:border-box}
html{background:var(--paper)}
body{margin:0 auto;padding:1rem;max-width:64rem;background:var(--paper);
color:var(--ink);font:1rem/1.5 system-ui,sans-serif;overflow-wrap:anywhere}
h1{font-size:1.4rem;line-height:1.3;margin:.2rem 0 .6rem;font-weight:600}
h2{font-size:1rem;margin:1.8rem 0 .4rem;font-weight:600}
h3{font-size:1rem;margin:1.2rem 0 .2rem;font-weight:400}
p{margin:.4rem 0;max-width:44rem}
.remark{color:var(--soft)}
figure{margin:1rem 0 0}
svg{width:100%;height:auto;display:block}
svg.small{max-width:22rem}
.pair{display:grid;gap:.6rem 2rem;
grid-template-columns:repeat(auto-fit,minmax(min(100%,19rem),1fr))}
.pair>*{min-width:0}
figcaption{max-width:44rem;margin:.3rem 0 0}
svg.medium,svg.narrow{display:none}
.tick{fill:var(--soft);font-size:12.8px;paint-order:stroke;stroke:var(--paper);
stroke-width:3px;font-variant-numeric:tabular-nums}
.grid{fill:none;stroke:var(--rule);stroke-width:.75}
.window{fill:var(--band);fill-opacity:.2}
.edge{fill:none;stroke:var(--band);stroke-width:1}
.floor{fill:none;stroke:var(--soft);stroke-width:1;stroke-dasharray:5 4}
.soc{fill:none;stroke:var(--soc);stroke-width:1.6;stroke-linejoin:round;
stroke-linecap:round}
.heat{fill:none;stroke:var(--hot);stroke-width:1.8;stroke-linejoin:round;
stroke-linecap:round}
.name,.count{fill:var(--ink);font-size:12.8px;font-variant-numeric:tabular-nums}
.cell{fill:var(--soc)}
.time{fill:var(--soc);stroke:var(--soc);stroke-width:.75}
.warmth .time{fill:var(--hot);stroke:var(--soft)}
.span{fill:var(--ink);fill-opacity:.09}
.duty{fill:var(--soc);stroke:var(--soc);stroke-width:1.5}
.dots{fill:none;stroke:var(--soc);stroke-width:5;stroke-linecap:round}
.float{fill:var(--float);stroke:var(--float);stroke-width:1.5}
.hold{fill:var(--hold);stroke:var(--hold);stroke-width:1.5}
.option{white-space:nowrap}
.present{fill:var(--ink);stroke:var(--ink);stroke-width:1.5}
.hollow{fill:var(--paper)}
.way{fill:none;stroke-width:1}
.share{fill:var(--soc)}
.soc.shade{fill:var(--soc);fill-opacity:.3;stroke:none}
.heat.shade{fill:var(--hot);fill-opacity:.3;stroke:none}
.off{fill:none;stroke:var(--soft);stroke-width:.75}
.on{fill:var(--soc);stroke:var(--soc);stroke-width:.75}
.alarm{fill:var(--alarm);fill-opacity:.35;stroke:var(--alarm);stroke-width:.75}
.mark{fill:var(--alarm)}
table{border-collapse:collapse;width:100%;max-width:60rem;
font-variant-numeric:tabular-nums}
th,td{text-align:left;padding:.35rem 1rem .35rem 0;vertical-align:top;
border-bottom:1px solid var(--rule);font-weight:400}
thead th{color:var(--soft);overflow-wrap:normal}
.models{overflow-wrap:normal}
.alarms th,.alarms td:nth-child(2),.gaps th,.gaps td:nth-child(2),
.codes td{white-space:nowrap}
footer{color:var(--soft);font-size:.8rem;margin-top:2rem}
@media screen and (max-width:60rem){svg.wide{display:none}
svg.medium{display:block}}
@media screen and (max-width:40rem){svg.medium{display:none}
svg.narrow{display:block;max-width:32rem}
thead{position:absolute;width:1px;height:1px;overflow:hidden;
clip-path:inset(50%)}
table,tbody,td,th{display:block}
tr{display:flex;flex-wrap:wrap;gap:0 1rem;justify-content:space-between;
border-bottom:1px solid var(--rule);padding:.3rem 0}
.models tr{display:block}
.codes th{flex-basis:100%}
.counts tr{gap:0 .5rem}
.numbers tbody th{color:var(--soft)}
.alarms th,.alarms td:nth-child(2),.gaps th,.gaps td:nth-child(2),.codes td,
td,th{border:0;
padding:.1rem 0;white-space:normal}
td:empty{display:none}
td[data-label]::before{content:attr(data-label) ": ";color:var(--soft)}}
@media print{:root{color-scheme:light;--ink:#000;--paper:#fff;--soft:#333;
--rule:#aaa;--soc:#000;--band:#888;--alarm:#000;--hot:#000;
--float:#000;--hold:#000}
@page{size:A4;margin:15mm}
body{max-width:none;padding:0;font-size:10pt;line-height:1.35}
svg.wide,svg.narrow{display:none}svg.medium{display:block;width:84%}
h1{font-size:14pt}h2{margin-top:1rem}h3{margin-top:.6rem}
th,td{padding-top:.15rem;padding-bottom:.15rem}
.pair{grid-template-columns:repeat(2,1fr)}
footer{margin-top:1rem}
.page{break-before:page}
figure,tr,p{break-inside:avoid}h2,h3{break-after:avoid}}
"""
