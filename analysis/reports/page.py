"""Layout of the report: one page with its style sheet inside, no scripts, nothing to fetch."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from string import Template

STYLE_SHEET = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; background: #fff; color: #1c1c1c; line-height: 1.5;
  font-family: "DejaVu Sans", Verdana, Arial, sans-serif; font-size: 16px; }
main { max-width: 62rem; margin: 0 auto; padding: 1rem 1.1rem 3rem; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0.6rem 0 0.3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 0.6rem; padding-bottom: 0.2rem;
  border-bottom: 2px solid #1c1c1c; }
h3 { font-size: 1rem; margin: 0 0 0.3rem; }
p { margin: 0.4rem 0; max-width: 46rem; }
.quiet { color: #555; font-size: 0.9rem; }
.lead { font-size: 1.05rem; }
.warnings { border: 2px solid #a3123a; border-left-width: 10px; padding: 0.6rem 1rem;
  margin: 1rem 0; }
.warnings h2 { border: 0; margin: 0; padding: 0; color: #a3123a; }
.warnings ul { margin: 0.4rem 0; padding-left: 1.2rem; }
.warnings li { margin: 0.3rem 0; overflow-wrap: anywhere; }
.none { border-color: #6d6d6d; }
.none h2 { color: #1c1c1c; }
.figures { display: grid; grid-template-columns: 1fr; gap: 1.6rem; }
figure { margin: 0; min-width: 0; break-inside: avoid; }
figure img { display: block; width: 100%; height: auto; max-width: 34rem; }
.wide .frame { overflow-x: auto; }
.wide img { max-width: none; min-width: 40rem; }
figcaption { font-size: 0.88rem; color: #333; margin-top: 0.4rem; max-width: 46rem; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0.5rem 0.9rem 0.5rem 0;
  border-bottom: 1px solid #c9c9c9; overflow-wrap: anywhere; }
thead th { border-bottom: 2px solid #6d6d6d; font-size: 0.85rem; }
tbody th { font-weight: 600; width: 30%; }
td.value { width: 25%; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.missing { color: #555; font-style: italic; white-space: normal; }
dl { margin: 0; display: grid; grid-template-columns: 11rem 1fr; gap: 0.35rem 1rem; }
dt { font-weight: 600; }
dd { margin: 0; overflow-wrap: anywhere; max-width: 44rem; }
pre { background: #f5f5f5; border: 1px solid #c9c9c9; padding: 0.8rem; font-size: 0.8rem;
  line-height: 1.4; white-space: pre-wrap; overflow-wrap: anywhere;
  font-family: "DejaVu Sans Mono", Consolas, monospace; }
@media (min-width: 900px) {
  .figures { grid-template-columns: 1fr 1fr; }
  .wide { grid-column: 1 / -1; }
}
@media (max-width: 640px) {
  table, tbody, tr, th, td { display: block; width: auto; }
  thead { display: none; }
  tr { border-bottom: 1px solid #c9c9c9; padding: 0.5rem 0; }
  th, td { border: 0; padding: 0; }
  tbody th, td.value { width: auto; }
  td.value { font-size: 1.1rem; white-space: normal; }
  dl { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: 0.6rem; }
}
@media print {
  body { font-size: 10pt; }
  main { max-width: none; padding: 0; }
  .figures { grid-template-columns: 1fr 1fr; gap: 0.8rem; }
  .wide { grid-column: 1 / -1; }
  .wide .frame { overflow: visible; }
  .wide img { min-width: 0; width: auto; max-width: 100%; max-height: 12cm; }
  h2 { break-after: avoid; }
  tr, dt, dd { break-inside: avoid; }
}
"""

PAGE = Template(
    """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>$style_sheet</style>
</head>
<body>
<main>
<header>
<p class="quiet">Report of a simulated film of magnetic particles</p>
<h1>$title</h1>
<p class="lead">$summary</p>
</header>
$warnings
<section>
<h2>Pictures</h2>
<div class="figures">
$figures
</div>
</section>
<section>
<h2>What was measured</h2>
<p class="quiet">Each number with its standard error. $basis</p>
$measured
</section>
<section>
<h2>What was simulated</h2>
$derived
</section>
<section>
<h2>Words used here</h2>
$glossary
</section>
<section>
<h2>Before you build it</h2>
$cautions
</section>
<section>
<h2>Parameter file</h2>
<p class="quiet">The file that this run was started with. Run it again to get the same film.</p>
<pre>$parameters</pre>
</section>
<section>
<h2>How this was made</h2>
$provenance
</section>
</main>
</body>
</html>
"""
)


def definitions(pairs: Iterable[tuple[str, str]]) -> str:
    """List of terms and their explanations."""
    rows = "".join(f"<dt>{escape(term)}</dt><dd>{escape(words)}</dd>" for term, words in pairs)
    return f"<dl>{rows}</dl>"
