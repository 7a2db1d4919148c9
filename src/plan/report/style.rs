//! How a report looks: our own few colours, and sizes for a screen, a telephone and paper.
//!
//! Verdicts are told by hatching and words, never by colour alone. Text has at least the contrast that WCAG 2.2, criterion 1.4.3
//! (level AA), asks for: a test computes it for every colour of text on every ground that stands here.

/// Hatchings that all drawings of a page share.
pub(super) const PATTERNS: &str = r##"<svg width="0" height="0" aria-hidden="true" class="patterns"><defs>
<pattern id="noticeable" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="7" height="7" fill="#ffffff"/><line x1="0" y1="0" x2="0" y2="7" stroke="#444444" stroke-width="1.6"/></pattern>
<pattern id="spoils" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="5" height="5" fill="#cfcfcf"/><path d="M0 0H5M0 0V5" stroke="#111111" stroke-width="1.8"/></pattern>
<pattern id="cannot-say" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" fill="#ffffff"/><circle cx="2" cy="2" r="1.2" fill="#333333"/><circle cx="6" cy="6" r="1.2" fill="#333333"/></pattern>
<pattern id="sharp" width="4" height="4" patternUnits="userSpaceOnUse"><line x1="0" y1="2" x2="4" y2="2" stroke="#2d6480" stroke-width="0.9"/></pattern>
</defs></svg>
"##;

/// The style sheet.
pub const CSS: &str = "\
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 46rem; padding: 1rem; background: #ffffff; color: #161616; font: 1rem/1.45 'Liberation Sans', Arial, Helvetica, sans-serif; overflow-wrap: break-word; }
.patterns { position: absolute; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .4rem; }
h2 { font-size: 1.4rem; line-height: 1.2; margin: 2.2rem 0 .4rem; padding-top: .5rem; border-top: 3px solid #1d4a5f; }
h3 { font-size: 1.12rem; margin: 1.6rem 0 .4rem; color: #1d4a5f; }
h4 { font-size: 1rem; margin: .8rem 0 .2rem; color: #1d4a5f; }
p { margin: .4rem 0; }
ul, ol { margin: .4rem 0; padding-left: 1.25rem; }
li { margin: .15rem 0; }
a { color: #14506e; }
code, pre { font-family: 'Liberation Mono', Consolas, monospace; font-size: .82em; }
pre { white-space: pre-wrap; background: #f2f0ea; padding: .6rem; }
.quiet { color: #4b4b4b; font-size: .9rem; }
.warning { border: 3px solid #161616; background: #f2f0ea; padding: .5rem .7rem; font-weight: bold; }
figure { margin: .8rem 0; break-inside: avoid; }
figcaption { color: #4b4b4b; font-size: .9rem; }
figure svg.drawing { width: 100%; max-width: 34rem; height: auto; display: block; }
svg text { fill: #161616; }
svg.strip { width: 100%; max-width: 34rem; height: auto; display: block; margin: .3rem 0; }
svg.mark { vertical-align: -2px; }
.legend { list-style: none; padding: 0; font-size: .92rem; }
.legend li { display: flex; gap: .6rem; align-items: flex-start; }
.legend svg { flex: none; margin-top: .2rem; }
img { display: block; height: auto; }
img.whole { width: 100%; }
.exact { overflow-x: auto; }
.pair { display: flex; flex-wrap: wrap; gap: 0 1rem; }
.exact img { max-width: none; image-rendering: pixelated; }
.wide { overflow-x: auto; margin: .5rem 0; }
table { border-collapse: collapse; font-size: .92rem; }
caption { text-align: left; color: #4b4b4b; font-size: .9rem; padding-bottom: .2rem; }
.keep { white-space: nowrap; }
th, td { text-align: left; vertical-align: top; padding: .22rem .7rem .22rem 0; border-bottom: 1px solid #b9b5aa; }
thead th { border-bottom: 2px solid #161616; }
tbody th { font-weight: normal; }
tr { break-inside: avoid; }
ol.changes li { margin: .6rem 0; break-inside: avoid; }
.now { font-weight: bold; }
.card { border: 2px solid #1d4a5f; padding: .2rem .9rem .7rem; margin: 1.6rem 0; }
.card h3 { margin-top: .6rem; font-size: 1.2rem; }
.card ul, .card ol { margin: .1rem 0; }
dl { margin: .4rem 0; }
dt { font-weight: bold; margin-top: .4rem; }
dd { margin: 0 0 0 1rem; }
@media (max-width: 30rem) {
body { padding: .9rem; }
table { font-size: .84rem; }
th, td { padding-right: .5rem; }
}
@page { margin: 14mm 13mm; }
@page card { margin: 9mm 10mm; }
@media print {
html { font-size: 10pt; }
body { max-width: none; padding: 0; }
h1, h2, h3, h4, h3 + p { break-after: avoid; }
h2.chapter { break-before: page; }
h2.first { break-before: auto; }
.legend { columns: 2; column-gap: 6mm; font-size: .86rem; }
.legend li { break-inside: avoid; }
.wide { break-inside: avoid; }
.side { display: flex; gap: 4mm; align-items: flex-end; }
.side figure { flex: 1; }
.exact, .wide { overflow: visible; }
img.whole { max-width: 130mm; }
.card { page: card; break-before: page; break-after: page; margin: 0; padding: 0 3mm 2mm; font-size: 8.6pt; line-height: 1.28; }
.card h3 { font-size: 12pt; margin: 1.5mm 0 0; }
.card h4 { font-size: 9.2pt; margin: 1.5mm 0 0; }
.card p, .card .quiet { margin: .4mm 0; }
.card .quiet, .card table, .card caption { font-size: 8.2pt; }
.card svg.strip { max-width: 92mm; margin: .5mm 0; }
.card th, .card td { padding: .3mm 3mm .3mm 0; }
.card .wide { margin: .5mm 0; }
a { text-decoration: none; }
}
";
