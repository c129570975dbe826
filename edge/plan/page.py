"""A plan as one page of HTML that needs nothing else, with plots drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from edge.plan.findings import Findings
from edge.plan.plots import month_balance, stages_by_month, worst_year
from edge.plan.report import Table, objections, sections
from edge.plan.sentences import CAUTIONS, answers, verdict

_STYLE = """
:root { color-scheme: light dark;
  --paper: #fbfaf7; --card: #ffffff; --ink: #23262b; --faint: #c9c7c0; --soft: #5d636d;
  --good: #1d6b45; --bad: #a32c1c; --panel: #e3b23c; --load: #1f4e79; --charge: #2a7f9e;
  --limit: #a32c1c; --no-power: #2b2b2b;
  --stage-1: #8fb8a8; --stage-2: #d98e4a; --stage-3: #b1464a; --stage-4: #6d2f6b; }
@media (prefers-color-scheme: dark) { :root {
  --paper: #16181c; --card: #1e2126; --ink: #e6e4df; --faint: #454a52; --soft: #a4a9b2;
  --good: #6fcf9b; --bad: #ff8a75; --panel: #c7952b; --load: #8fc1ee; --charge: #5cb8d6;
  --limit: #ff8a75; --no-power: #f4f4f4;
  --stage-1: #6f9c8b; --stage-2: #d98e4a; --stage-3: #d9636a; --stage-4: #b56fb3; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink);
  font: 16px/1.5 system-ui, sans-serif; }
main { max-width: 64rem; margin: 0 auto; padding: 2rem 1.2rem 4rem; }
h1 { font-size: 1.5rem; margin: 0; }
h2 { font-size: 1.15rem; margin: 2.4rem 0 .4rem; }
.verdict { font-size: 1.1rem; font-weight: 600; margin: .6rem 0 1.2rem; padding-left: .8rem;
  border-left: .35rem solid; }
.good { color: var(--good); } .bad { color: var(--bad); }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(9rem, 1fr)); gap: .8rem;
  margin: 0 0 1.2rem; }
.figures div { background: var(--card); border: 1px solid var(--faint); border-radius: .4rem;
  padding: .6rem .8rem; }
.figures dt { color: var(--soft); font-size: .85rem; }
.figures dd { margin: 0; font-size: 1.25rem; font-variant-numeric: tabular-nums; }
figure { margin: 1rem 0; } figcaption, .legend { color: var(--soft); font-size: .9rem; }
svg { width: 100%; height: auto; display: block; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: .88rem; }
th, td { padding: .22rem .5rem; text-align: left; border-bottom: 1px solid var(--faint);
  white-space: nowrap; }
th { font-weight: 600; } .right { text-align: right; }
.cautions { border: 1px solid var(--bad); border-radius: .4rem; padding: .2rem 1rem;
  margin-top: 2.4rem; }
.cautions h2 { margin-top: .8rem; }
@media print { .wide { overflow: visible; } h2 { break-after: avoid; }
  figure { break-inside: avoid; } }
"""


def page(found: Findings) -> str:
    """Return the page."""
    title = found.station.station.name or found.station.station.id
    kind = "good" if found.survives else "bad"
    tables = sections(found)
    # The months stand beside the plots that show them; the rest below.
    parts = [
        f"<h1>Energy plan: {escape(title)}</h1>",
        f'<p class="verdict {kind}">{escape(verdict(found))}</p>',
        _figures(found),
        _list(answers(found)),
        "<h2>Balance</h2>",
        _figure(month_balance(found), "What the panel can give and what is drawn in each stage."),
        "<h2>The worst year</h2>",
        _figure(
            worst_year(found),
            f"Year {found.run.worst_year + 1} of {found.run.years}: state of charge, from the"
            " lowest to the highest of every day, and below it the hours of every day in which load"
            " is shed.",
        ),
        "<h2>Load shed</h2>",
        _figure(stages_by_month(found), "Hours a year in each stage, on average over the years."),
        *(_section(*one) for one in tables),
        _list(objections(found)),
        f'<section class="cautions"><h2>Before you touch anything</h2>{_list(CAUTIONS)}</section>',
    ]
    body = "\n".join(parts)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Energy plan: {escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _figures(found: Findings) -> str:
    worst = found.months[found.worst_month]
    shown = {
        "Loss of load": f"{found.run.loss_of_load * 100:.3g} %",
        "Days without data": f"{found.run.days_without_data} in {_years(found.run.years)}",
        "Lowest charge": f"{found.run.lowest * 100:.0f} %",
        "Battery alone": f"{found.autonomy_days:.1f} days",
        f"Panel by loads, {worst.name}": f"{worst.ratio:.2f}",
    }
    cards = "".join(
        f"<div><dt>{escape(what)}</dt><dd>{escape(value)}</dd></div>"
        for what, value in shown.items()
    )
    return f'<dl class="figures">{cards}</dl>'


def _years(number: int) -> str:
    return "1 year" if number == 1 else f"{number} years"


def _list(sentences: Sequence[str]) -> str:
    if not sentences:
        return ""
    return f"<ul>{''.join(f'<li>{escape(one)}</li>' for one in sentences)}</ul>"


def _figure(drawing: str, caption: str) -> str:
    text = escape(caption)
    return (
        f'<figure role="img" aria-label="{text}">{drawing}<figcaption>{text}</figcaption></figure>'
    )


def _section(heading: str, legend: str, table: Table) -> str:
    heads, rows, right = table
    style = ['class="right"' if column in right else "" for column in range(len(heads))]
    head = "".join(f"<th {one}>{escape(text)}</th>" for one, text in zip(style, heads, strict=True))
    body = "".join(
        "<tr>"
        + "".join(f"<td {one}>{escape(text)}</td>" for one, text in zip(style, row, strict=True))
        + "</tr>"
        for row in rows
    )
    return (
        f'<h2>{escape(heading)}</h2><p class="legend">{escape(legend)}</p>'
        f'<div class="wide"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )
