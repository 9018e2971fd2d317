"""How the page looks: on a screen by day and by night, and on A4 paper.

Nothing is fetched and nothing is carried out: the policy lets in this one style sheet, by its
hash (W3C Content Security Policy Level 3, 2.3.1), and denies everything else.
"""

from __future__ import annotations

import base64
import hashlib

__all__ = ["CONTENT_POLICY", "STYLE"]

STYLE = """
:root { color-scheme: light dark; --paper: #ffffff; --ink: #1b1f24; --faint: #59636e;
  --line: #c6ccd3; --band: #dcebdc; --pass: #1a6e37; --fail: #b3261e; --undecided: #8a5a00;
  --mark: #1f5fa8; --shade: #f3f5f7; }
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #15191e; --ink: #e4e8ec; --faint: #a3adb8; --line: #414a54; --band: #233a2a;
    --pass: #6fce8c; --fail: #ff8f85; --undecided: #f0bd5a; --mark: #84b8f5; --shade: #1f252c; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.5rem; max-width: 60rem; background: var(--paper);
  color: var(--ink); font: 15px/1.45 system-ui, sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; margin: 0 0 .3rem; } h2 { font-size: 1.2rem; margin: 1.8rem 0 .5rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
p, ul, ol { margin: .4rem 0; } .faint, figcaption { color: var(--faint); font-size: .9em; }
.verdict { border: 2px solid; border-radius: 6px; padding: .6rem .9rem; margin: .8rem 0; }
.verdict p { color: var(--ink); margin: .2rem 0 0; } .verdict strong { font-size: 1.15rem; }
.pass { color: var(--pass); } .fail { color: var(--fail); } .undecided { color: var(--undecided); }
table { border-collapse: collapse; width: 100%; font-size: .85rem; margin: .5rem 0;
  font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: .18rem .45rem; border-bottom: 1px solid var(--line);
  vertical-align: top; } thead th { background: var(--shade); }
td.n, th.n { text-align: right; white-space: nowrap; } th[scope=row] { width: 11rem; }
.wide { overflow-x: auto; } pre { white-space: pre-wrap; background: var(--shade); padding: .6rem; }
code { font-family: ui-monospace, monospace; } figure { margin: .6rem 0; }
.caution { border-left: 5px solid var(--undecided); padding-left: .8rem; }
svg { width: 100%; height: auto; display: block; } svg text { fill: var(--ink); font-size: 12px; }
svg .axis { stroke: var(--faint); fill: none; } svg .grid { stroke: var(--line); stroke-width: .6; }
svg .band { fill: var(--band); stroke: none; } svg .ideal { stroke: var(--faint);
  stroke-dasharray: 5 4; } svg .line { stroke: var(--mark); fill: none; }
svg .bar { fill: var(--mark); } svg .hollow { fill: var(--paper); stroke: var(--ink); }
svg g.pass, svg g.fail, svg g.undecided, svg g.mark { stroke: currentColor; stroke-width: 1.3; }
svg g.mark { color: var(--mark); } svg .full { fill: currentColor; }
svg .open { fill: var(--paper); }
@page { size: A4; margin: 15mm 14mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 10pt; } table { font-size: 8pt; }
  .wide { overflow: visible; } thead { display: table-header-group; }
  tr, figure, .verdict, .caution { break-inside: avoid; } h2, h3 { break-after: avoid; } }
"""

_HASH = base64.b64encode(hashlib.sha256(STYLE.encode("utf-8")).digest()).decode("ascii")

CONTENT_POLICY = (
    f"default-src 'none'; style-src 'sha256-{_HASH}'; base-uri 'none'; form-action 'none'"
)
