// The sheet's look: ink on paper, one accent, as the board's; A4, in black and white as well.
#pragma once

namespace tallywire::sheet {

inline constexpr const char* const style = R"css(
:root { --ink: #16181d; --faint: #474b54; --line: #b9b4a8; --accent: #b3370f; }
@page { size: A4; margin: 14mm 12mm 16mm; @bottom-left { content: "Tallywire hand-over sheet"; font: 8pt sans-serif; }
@bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; } }
* { box-sizing: border-box; }
html { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0 auto; max-width: 703px; background: #fff; color: var(--ink); font: 10.5px/1.35 "Noto Sans", "DejaVu Sans", sans-serif; }
@media screen { body { padding: 24px; max-width: 751px; } }
h1 { font-size: 24px; margin: 0 0 6px; letter-spacing: -0.01em; overflow-wrap: anywhere; }
h2 { font-size: 15px; margin: 18px 0 6px; padding-bottom: 2px; border-bottom: 2px solid var(--ink); break-after: avoid; }
h3 { font-size: 12px; margin: 12px 0 2px; break-after: avoid; overflow-wrap: anywhere; }
p { margin: 3px 0; overflow-wrap: anywhere; }
.over { font-size: 11px; letter-spacing: 0.08em; text-transform: uppercase; color: var(--accent); font-weight: 700; margin: 0; }
.summary { font-size: 13px; border: 2px solid var(--ink); padding: 7px 10px; margin: 9px 0; break-inside: avoid; }
.facts { color: var(--faint); margin: 0 0 4px; break-after: avoid; }
.aside, .pm { color: var(--faint); font-weight: 400; }
.key { color: var(--faint); }
code { font: 9.5px "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; margin: 2px 0 6px; }
th, td { text-align: left; vertical-align: top; padding: 1.6px 5px 1.6px 0; border-bottom: 0.6px solid var(--line); overflow-wrap: anywhere;
unicode-bidi: isolate; }
thead th { border-bottom: 1.4px solid var(--ink); color: var(--faint); font-weight: 600; }
tr, tbody { break-inside: avoid; }
tr.of th { font-weight: 700; padding-top: 5px; border-bottom-color: var(--ink); }
tr.of { break-after: avoid; }
tr.why td { padding-left: 14px; font-style: italic; }
.n { text-align: right; padding-right: 9px; }
.targets th:nth-child(1) { width: 15%; } .targets th:nth-child(2) { width: 31%; } .targets th:nth-child(3) { width: 25%; }
.targets th:nth-child(4) { width: 10%; text-align: right; padding-right: 9px; } .targets th:nth-child(5) { width: 12%; }
.targets th:nth-child(6) { width: 7%; text-align: right; }
.targets tr.of th { width: auto; text-align: left; }
.witness th:nth-child(1) { width: 40%; } .witness th:nth-child(2) { width: 15%; } .witness th:nth-child(3) { width: 23%; }
.witness th:nth-child(4) { width: 22%; }
.witness td.line { border-bottom: 1px solid var(--ink); height: 22px; }
.days th:nth-child(1) { width: 18%; } .days th:nth-child(2), .days th:nth-child(3) { width: 14%; } .days th:nth-child(4) { width: 11%; }
.days th:nth-child(5) { width: 17%; }
.days th:nth-child(7) { width: 6%; text-align: right; padding-right: 9px; }
.head th { width: 17%; color: var(--faint); font-weight: 600; }
.sign th, .sign td { height: 30px; vertical-align: bottom; border-bottom: 1px solid var(--ink); } .sign thead th { height: auto; }
.sign th:first-child { width: 22%; } .sign th:nth-child(3) { width: 18%; }
.mark { white-space: nowrap; font-weight: 600; }
.mark svg { width: 10px; height: 10px; vertical-align: -1px; }
.mark.missed, .mark.wanting, .mark.lost { color: var(--accent); }
svg { color: inherit; stroke: currentColor; fill: currentColor; stroke-width: 1.8; }
svg text { stroke: none; fill: var(--ink); font: 10.5px "Noto Sans", "DejaVu Sans", sans-serif; }
.symbols { position: absolute; width: 0; height: 0; }
.riser, .bars { display: block; max-width: 100%; height: auto; break-inside: avoid; margin: 6px 0; color: var(--ink); }
.switch-name { font-size: 13px; font-weight: 700; } .name, .strong { font-weight: 700; } svg .presence { fill: var(--faint); font-size: 10px; }
.bar { fill: var(--ink); stroke: none; } .port { fill: #fff; stroke: none; } svg .port-name { font-size: 10px; font-weight: 600; }
.drop { stroke: var(--ink); stroke-width: 2; } .body { fill: #fff; stroke-width: 2; } .box { fill: #fff; stroke-width: 1.4; }
.head.missed, .unit.wanting .body, .unit.lost .body, .unit.wanting > use, .unit.lost > use { color: var(--accent); }
.unit.wanting .presence, .unit.lost .presence { fill: var(--accent); font-weight: 700; }
.unit.awaited .body, .unit.awaited .drop, .unit.lost .drop { stroke-dasharray: 5 4; }
.pipe { fill: #fff; stroke-width: 1.6; } .load, .bar-load { fill: url(#hatch); stroke: var(--ink); stroke-width: 0.8; }
.bar-designed { fill: #fff; stroke: var(--ink); stroke-width: 1.2; } .bar-instant { fill: url(#light); stroke: var(--ink); stroke-width: 1.2; }
.ceiling { stroke: var(--accent); stroke-width: 3.5; } .busiest { stroke: var(--ink); stroke-width: 1.6; } .speed { stroke: var(--ink);
stroke-width: 1.2; stroke-dasharray: 4 3; }
.findings, .notes { margin: 3px 0; padding-left: 22px; } .findings li { break-inside: avoid; margin-bottom: 5px; } .findings p { margin: 1px 0; }
.notes li { break-inside: avoid; overflow-wrap: anywhere; }
.keep { break-inside: avoid; } .keep ul { margin: 3px 0; padding-left: 18px; }
.sum { border: 1px solid var(--ink); padding: 6px 9px; margin-top: 14px; break-inside: avoid; }
)css";

}  // namespace tallywire::sheet
