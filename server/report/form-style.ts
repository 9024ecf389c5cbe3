/**
 * The style sheet of the printed record: a set form, black on white, A4 or Letter. Nothing rests on colour or on
 * backgrounds, which browsers leave out when they print. Fonts are the system's own.
 */
export const FORM_STYLE = `
:root { --ink: #111; --soft: #555; --hair: #bbb; --serif: "Iowan Old Style", "Palatino Linotype", Palatino, "Book Antiqua", Georgia, "DejaVu Serif", serif; --sans: "Gill Sans", "Segoe UI", "Helvetica Neue", Arial, "DejaVu Sans", sans-serif; --mono: ui-monospace, "Cascadia Mono", Menlo, Consolas, "DejaVu Sans Mono", monospace; }
@page { size: auto; margin: 15mm 15mm 17mm; @bottom-right { content: counter(page) " / " counter(pages); font: 7.6pt Arial, "DejaVu Sans", sans-serif; color: #555; } }
* { box-sizing: border-box; }
html { background: #e7e5e0; color: var(--ink); font: 10pt/1.42 var(--serif); }
body { background: #fff; overflow-wrap: anywhere; max-width: 190mm; margin: 8mm auto; padding: 14mm 13mm; box-shadow: 0 1px 6px #0003; }
p { margin: 0 0 2mm; }
h1, h2, h3 { font-weight: 600; margin: 0; break-after: avoid; }
h1 { font-size: 21pt; line-height: 1.1; letter-spacing: -.01em; }
h2 { font-size: 12.5pt; margin: 8mm 0 2.5mm; padding-top: 1.6mm; border-top: 1.6pt solid var(--ink); display: flex; gap: 3.5mm; align-items: baseline; }
h2 .no { font: 600 9.5pt var(--sans); min-width: 5mm; }
h3 { font-size: 11pt; }
.masthead { display: grid; grid-template-columns: 1fr auto; gap: 8mm; align-items: end; padding-bottom: 3.5mm; border-bottom: 2.4pt solid var(--ink); }
.masthead p { margin: 1.2mm 0 0; color: var(--soft); }
.outcome { border: 1.4pt solid var(--ink); outline: .5pt solid var(--ink); outline-offset: 1.2pt; padding: 2mm 4mm; text-align: center; font: 600 10.5pt/1.25 var(--sans); max-width: 60mm; margin-right: 1.8pt; }
.outcome small { display: block; font-weight: 400; font-size: 8pt; }
.verdict { display: grid; grid-template-columns: repeat(3, 1fr); break-inside: avoid; }
.figure { padding: 2mm 0; font: 600 11pt/1.2 var(--sans); } .figure strong { font-size: 21pt; } .figure small { display: block; font-weight: 400; font-size: 8pt; }
.grid { display: grid; grid-template-columns: repeat(6, 1fr); border-left: .5pt solid var(--ink); margin: 0 0 3mm; }
.grid.top { border-top: .5pt solid var(--ink); }
.field { grid-column: span 2; border-right: .5pt solid var(--ink); border-bottom: .5pt solid var(--ink); padding: 1mm 1.8mm 1.3mm; min-height: 10mm; break-inside: avoid; }
.field.half { grid-column: span 3; }
.label, th { display: block; font: 600 6.8pt/1.5 var(--sans); letter-spacing: .05em; text-transform: uppercase; color: var(--soft); }
.name { font-size: 7.6pt; letter-spacing: 0; text-transform: none; }
.blank { color: var(--soft); }
.said { display: block; font-size: 8.2pt; color: var(--soft); }
table { border-collapse: collapse; width: 100%; margin: 0 0 3mm; font-size: 8.7pt; line-height: 1.32; }
thead { display: table-header-group; }
th { display: table-cell; overflow-wrap: normal; text-align: left; vertical-align: bottom; border-bottom: 1pt solid var(--ink); padding: 1mm 2mm 1mm 0; }
td { vertical-align: top; padding: 1.1mm 2mm 1.1mm 0; border-bottom: .5pt solid var(--hair); }
td:first-child { min-width: 27mm; }
tr, .pair { break-inside: avoid; }
.pair tr:first-child td { border-bottom: 0; padding-bottom: 0; } .pair tr:last-child td { padding-top: .4mm; }
.num, th.num { text-align: right; padding-right: 4mm; font-variant-numeric: tabular-nums; white-space: nowrap; }
.time { white-space: nowrap; font-variant-numeric: tabular-nums; }
code { font: 7.8pt/1.45 var(--mono); }
.tag { font: 600 7.6pt/1.35 var(--sans); display: inline-block; overflow-wrap: break-word; border: .7pt solid var(--ink); padding: .2mm 1.4mm; }
.tag.open { border-style: dashed; font-weight: 400; }
.tag.wrong { border-width: 1.8pt; font-weight: 700; }
.card { border: .7pt solid var(--ink); margin: 0 0 4mm; break-inside: avoid; -webkit-box-decoration-break: clone; box-decoration-break: clone; }
.together { break-inside: avoid; break-after: avoid; }
.card header { display: flex; justify-content: space-between; gap: 5mm; align-items: baseline; padding: 1.2mm 1.6mm; border-bottom: .7pt solid var(--ink); break-after: avoid; }
.card header .tag { flex: none; max-width: 45%; }
.card header .model { color: var(--soft); font-size: 9pt; font-weight: 400; }
.card .grid { border-left: 0; margin: 0; grid-template-columns: 1fr 1.3fr 1fr 1.15fr 1.15fr .9fr; }
.card .field { grid-column: span 1; min-height: 8mm; padding: .8mm 1.6mm 1mm; font-size: 8.8pt; line-height: 1.3; }
.card .field:nth-child(6n) { border-right: 0; } .card .said { font-size: 7.4pt; }
.card .step, .card .said-list { padding: 1.4mm 1.6mm 1.2mm; font-size: 9.2pt; line-height: 1.36; break-inside: avoid; border-bottom: .5pt solid var(--ink); }
.card > :last-child { border-bottom: 0; }
.step p, .said-list p { margin: 0 0 .5mm; }
.step .label { margin-bottom: .6mm; }
.best { border-left: 2.4pt solid var(--ink); padding-left: 2.2mm; }
.warn { font-weight: 600; }
.warn::before { content: "\\25B2\\00A0"; font-size: 8pt; }
ul { margin: 0 0 3mm; padding-left: 5mm; } li { margin: 0 0 .8mm; break-inside: avoid; }
.none { color: var(--soft); font-style: italic; }
.cautions { border: 1.4pt solid var(--ink); padding: 2.6mm 4mm 1.4mm; break-inside: avoid; font-size: 9.2pt; }
.timeline { margin: 0 0 4mm; break-inside: avoid; }
figcaption { font: 8.2pt var(--sans); color: var(--soft); margin-bottom: 1mm; }
.timeline svg { width: 100%; height: auto; display: block; }
svg text { font: 9px var(--sans); fill: #111; }
svg .who { font-size: 10px; } svg .time { text-anchor: middle; fill: #555; } svg .mark { font-weight: 700; font-size: 8px; }
svg .tick { stroke: #ccc; stroke-width: .6; } svg .rule { stroke: #ddd; stroke-width: .5; }
svg .bar { stroke: #111; stroke-width: .9; fill: #444; } svg .unconfirmed { fill: url(#slant); } svg .running { fill: #fff; }
svg .incomplete { fill: #fff; stroke-dasharray: 2.4 1.6; } svg .wrong-image { fill: #fff; stroke-width: 2.2; }
svg .dark { stroke: #111; stroke-width: 1.6; stroke-dasharray: 1.2 2.6; } svg .hatch { stroke: #111; stroke-width: 2; }
.patterns { position: absolute; width: 0; height: 0; }
.keys { font: 8pt var(--sans); display: flex; flex-wrap: wrap; gap: 1mm 5mm; margin-bottom: 3mm; break-inside: avoid; break-after: avoid; }
.key { display: inline-flex; gap: 1.6mm; align-items: center; } .key svg { width: 9mm; height: 4mm; }
.signatures { display: grid; grid-template-columns: 1fr 1fr; gap: 0 8mm; break-inside: avoid; margin-top: 3mm; }
.signature { break-inside: avoid; margin-bottom: 5mm; } .signature p { font: 600 8pt var(--sans); margin: 0; }
.line { border-bottom: .7pt solid var(--ink); height: 9.5mm; } .line + .label { color: var(--soft); }
.foot { margin-top: 6mm; padding-top: 1.6mm; border-top: .5pt solid var(--ink); font: 7.6pt var(--sans); color: var(--soft); }
@media print { html { background: none; font-size: 9.6pt; } body { max-width: none; margin: 0; padding: 0 1.2pt 0 .4pt; box-shadow: none; } }
@media (max-width: 640px) { body { margin: 0; } .time, .num, th.num { white-space: normal; } th { overflow-wrap: anywhere; letter-spacing: 0; } td, th, .num, th.num { padding-right: 1.2mm; } .masthead { grid-template-columns: 1fr; } .field, .field.half, .card .field { grid-column: span 6; border-right: 0; } }
@media screen and (max-width: 640px) { body { padding: 6mm 4mm; } }
`
