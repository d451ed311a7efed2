"""One run as one self-contained HTML page: no network, no script, light, dark or on paper."""

from __future__ import annotations

from html import escape

from autocell.description import BenchDescription
from autocell.outcome import Outcome, PathLength, Proof, Spot
from autocell.records import MoveRecord, RunRecord
from autocell.report import bench_words, cautions, figures, recovery_words, words
from autocell.report.html import figure, folded, table, whole_page
from autocell.report.svg import drawing_style

_STATES = {0: "success", 3: "partly", 4: "partly", 5: "failure"}

_MOST_COUNTS = 6
_BAR = 80.0
"""How wide the bar of all model benches is, per cent of what there is."""


@drawing_style()
def render(run: RunRecord, bench: BenchDescription) -> str:
    """The page. ``bench`` is the description of the bench file that the run was made with.

    A run that was broken off has no outcome and gets a page of what was written down.
    """
    outcome = run.outcome
    title = "Broken off" if outcome is None else words.headline(outcome)
    sections = [_header(run, bench, title)]
    if outcome is not None:
        sections += [
            _summary(outcome),
            _recovery(outcome),
            _staircase(bench, run, outcome),
            _mirrors(bench, outcome),
        ]
    sections.append(_along_the_run(run))
    if outcome is not None and outcome.path_length is not None:
        sections.append(_budget(outcome.path_length))
    if outcome is not None:
        sections += [_margins(outcome), _bench(outcome)]
    sections += [_records(run, bench), _cautions(bench), _footer(run)]
    return whole_page(title, bench.name, sections)


def _header(run: RunRecord, bench: BenchDescription, title: str) -> str:
    began = run.summary.started_utc
    outcome = run.outcome
    state = "failure" if outcome is None else _STATES[outcome.verdict.exit_code]
    told = (
        "The run never said how it ended. What it wrote down until then is below."
        if outcome is None
        else f"{outcome.verdict.meaning} {words.sentence(outcome.reason)}"
    )
    invented = (
        '<p class="note">An invented scenario: there is no such bench; no light was measured.</p>'
        if words.is_invented(bench.name)
        else ""
    )
    return f"""<header>
<p class="bench">{escape(bench.name)} · {began:%d %B %Y, %H:%M} UTC</p>
<h1><span class="state {state}"></span>{escape(title)}</h1>
<p>{escape(told)}</p>
{invented}
<p class="note caution">{escape(cautions.in_short(bench))} <a href="#cautions">Cautions</a></p>
</header>
"""


def _summary(outcome: Outcome) -> str:
    rows = "".join(
        f'<tr><th scope="row">{escape(label)}</th><td>{escape(value)}</td></tr>'
        for label, value in words.summary_rows(outcome)
    )
    return f"""<div class="pair">
<section><h2>What came of it</h2><table><tbody>{rows}</tbody></table></section>
<section><h2>Why this pass count</h2>{_evidence(outcome.proof)}{_posterior(outcome)}</section>
</div>
"""


def _recovery(outcome: Outcome) -> str:
    recovery = outcome.recovery
    if recovery is None:
        return ""
    rows = "".join(
        f'<tr><th scope="row">{escape(label)}</th><td>{escape(value)}</td></tr>'
        for label, value in recovery_words.rows(recovery)
    )
    steps = [[escape(cell) for cell in row] for row in recovery_words.step_rows(recovery.steps)]
    tried = table(recovery_words.STEP_HEAD, steps, numeric={1, 2, 4, 5}) if steps else ""
    return f"""<section><h2>Compared with the reference setting</h2>
<table><tbody>{rows}</tbody></table>
{tried}</section>
"""


def _evidence(proof: Proof | None) -> str:
    if proof is None or not proof.evidence:
        return "<p>No proof was made in this run.</p>"
    items = "".join(
        f'<li><span class="mark{"" if piece.holds else " against"}">'
        f"{'✓ holds' if piece.holds else '✗ fails'}</span>"
        f"<span>{escape(piece.statement)}</span></li>"
        for piece in proof.evidence
    )
    return f'<ul class="evidence">{items}</ul>'


def _posterior(outcome: Outcome) -> str:
    """The pass counts that the model benches show here, the most frequent first, as bars.

    These are shares of so many benches. What the proof claims is less: it counts how many they
    are, and weighs benches that none of them is.
    """
    if not outcome.posterior:
        return ""
    ranked = sorted(outcome.posterior, key=lambda pair: -pair[1])[:_MOST_COUNTS]
    bars = "".join(
        f'<tr><th scope="row">{passes} passes</th>'
        f'<td><span class="bar{" chosen" if passes == outcome.passes else ""}" '
        f'style="width: {_BAR * share:.2f}%"></span>{escape(words.share(share))}</td></tr>'
        for passes, share in ranked
    )
    return (
        f'<figure><table class="bars"><tbody>{bars}</tbody></table>'
        "<figcaption>Share of the model benches.</figcaption></figure>"
    )


def _staircase(bench: BenchDescription, run: RunRecord, outcome: Outcome) -> str:
    if not run.readings and outcome.staircase is None:
        return ""
    return figure(
        "The staircase",
        figures.staircase(bench, outcome, run.readings),
        "Power against nominal spacing for the input beam of the final setting. Numbers above the "
        "plateaus are pass counts. More power means fewer passes; on a plateau the power is flat, "
        "so the setting is chosen by its distance to the edges.",
    )


def _mirrors(bench: BenchDescription, outcome: Outcome) -> str:
    # Not at the top: history and help need no compiled optics.
    from autocell.optics.trace import trace

    spots, nominal = outcome.spots, False
    if spots is None and outcome.setting is not None and outcome.passes:
        setting = outcome.setting
        path = trace(bench.cell(setting.spacing_m), bench.beam(setting), outcome.passes)
        spots, nominal = Spot.along(path), True
    if not spots:
        return ""
    source = (
        "Nominal: computed from the bench file alone, since this run carries no fitted spots. "
        if nominal
        else "Computed from the fitted bench. "
    )
    return figure(
        "Spots on the mirrors",
        figures.mirrors(bench, spots, nominal),
        source + "To scale, seen against the input beam; each spot drawn at its 1/e² intensity "
        "radius and numbered by pass. " + figures.clearance_in_words(bench, spots),
    )


def _along_the_run(run: RunRecord) -> str:
    if not run.readings:
        return ""
    end_s = max(
        [record.reading.time_s for record in run.readings]
        + [move.ended_s for move in run.moves if move.ended_s is not None]
    )
    return figure(
        "Along the run",
        figures.timeline(run.readings, run.moves, end_s),
        "Each point is an averaged reading with the dark level subtracted; bars are k = 2.",
    )


def _budget(path: PathLength) -> str:
    rows = []
    for row in path.budget:
        value, uncertainty = words.with_uncertainty(row.value, row.standard_uncertainty)
        cells = [escape(row.quantity), value, uncertainty, escape(row.unit)]
        cells += [f"{row.sensitivity:.4g}", f"{abs(row.contribution_m) * 1e3:.3g}", escape(row.how)]
        rows.append(cells)
    value, _ = words.with_uncertainty(path.value_m, path.expanded_u_m)
    combined = path.expanded_u_m / path.coverage_factor * 1e3
    head = [
        "Quantity", "Value", "Standard uncertainty", "Unit", "m per unit", "Contribution / mm",
        "From",
    ]  # fmt: skip
    foot = (
        f'<tr><th scope="row" colspan="5">Path length {value} m; combined standard uncertainty'
        f'</th><td class="number">{combined:.3g}</td><td></td></tr>'
        f'<tr><th scope="row" colspan="5">Expanded uncertainty (k = {path.coverage_factor:g})</th>'
        f'<td class="number">{combined * path.coverage_factor:.3g}</td><td></td></tr>'
    )
    return f"""<section><h2>Uncertainty of the path length</h2>
{table(head, rows, numeric={1, 2, 4, 5}, foot=foot)}
<p class="note">The number of passes is a hypothesis with a probability, not an uncertain quantity,
and has no line here: were it wrong, the path would be wrong by whole passes. An error of the
spacing is the same in every pass, so it counts N times, not √N times. The form follows
JCGM 100:2008 (GUM).</p></section>
"""


def _margins(outcome: Outcome) -> str:
    if not outcome.margins:
        return ""
    rows = [[escape(cell) for cell in row] for row in bench_words.margin_rows(outcome)]
    return f"""<section><h2>Margins</h2>
{table(bench_words.MARGIN_HEAD, rows, numeric={1, 2, 3, 4})}
<p class="note">How far each axis may go before the pattern is lost, and how many nights of drift
that is. Standard uncertainties are those of the belief.</p></section>
"""


def _bench(outcome: Outcome) -> str:
    if not outcome.findings:
        return ""
    rows = [[escape(cell) for cell in row] for row in bench_words.finding_rows(outcome)]
    return f"""<section><h2>What the readings told of the bench</h2>
{table(bench_words.FINDING_HEAD, rows, numeric={1, 2})}
<p class="note">With standard uncertainties; those of the bench file are its tolerances over √3.
{escape(bench_words.not_observable(outcome))}</p></section>
"""


def _records(run: RunRecord, bench: BenchDescription) -> str:
    moves = [_move_cells(move, bench) for move in run.moves]
    readings = [
        [
            str(record.number),
            f"{record.reading.time_s:.1f}",
            f"{record.reading.setting.spacing_m * 1e3:.4f}",
            f"{record.reading.setting.slope_x * 1e3:.3f}",
            f"{record.reading.setting.slope_y * 1e3:.3f}",
            *words.with_uncertainty(
                record.reading.power_w * 1e3, record.reading.uncertainty_w * 1e3
            ),
            str(record.reading.samples),
            escape(record.purpose),
        ]
        for record in run.readings
    ]
    events = [
        [f"{event.time_s:.1f}", f"{event.utc:%H:%M:%S}", escape(event.kind), escape(event.text)]
        for event in run.events
    ]
    move_head = ["No.", "t / s", "Axis", "From", "To", "Arrived", "Unit", "Outcome", "Purpose"]
    reading_head = [
        "No.", "t / s", "Spacing / mm", "x′ / mrad", "y′ / mrad", "Power / mW", "u / mW",
        "Samples", "Purpose",
    ]  # fmt: skip
    return f"""<section><h2>Everything that was written down</h2>
{folded(words.count(len(moves), "move"), move_head, moves, {0, 1, 3, 4, 5})}
{folded(words.count(len(readings), "reading"), reading_head, readings, {0, 1, 2, 3, 4, 5, 6, 7})}
{folded(words.count(len(events), "event"), ["t / s", "UTC", "Kind", "What"], events, {0, 1})}
</section>
"""


def _move_cells(move: MoveRecord, bench: BenchDescription) -> list[str]:
    """The axes of a bench are in mm or mrad; both are a thousandth of the SI unit."""
    unit = bench.axes[move.axis].unit if move.axis in bench.axes else "1e-3"
    arrived = "" if move.position is None else f"{move.position * 1e3:.4f}"
    return [
        str(move.number),
        f"{move.intended_s:.1f}",
        escape(move.axis),
        f"{move.start * 1e3:.4f}",
        f"{move.target * 1e3:.4f}",
        arrived,
        unit,
        escape(move.outcome or "not known: the run broke off"),
        escape(move.purpose),
    ]


def _cautions(bench: BenchDescription) -> str:
    items = "".join(f"<p>{escape(text)}</p>" for text in cautions.in_full(bench))
    return f'<section id="cautions"><h2>Cautions</h2>{items}</section>'


def _footer(run: RunRecord) -> str:
    summary = run.summary
    arguments = ", ".join(f"{name} = {value}" for name, value in run.arguments.items())
    asked = f"{summary.command} ({arguments})" if arguments else summary.command
    return (
        f"<footer>Run {escape(summary.id)}: {escape(asked)}. Bench file "
        f"{escape(str(run.bench_path))}, SHA-256 {escape(summary.bench_sha256)}. "
        f"autocell {escape(run.version)}.</footer>\n"
    )
