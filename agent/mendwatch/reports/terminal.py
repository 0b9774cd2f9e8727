"""How things stand and what happened, as plain text for a terminal, a pipe or a page; the width is handed in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from textwrap import wrap

from mendwatch.model.alert import Alert
from mendwatch.model.records import Outcome, Quantiles, RunRecord, Sample, SourceRecord, WindowRecord
from mendwatch.model.status import ArrayStatus, RunStatus
from mendwatch.reports.clean import clean
from mendwatch.reports.drives import drive_lines
from mendwatch.reports.tellings import headline
from mendwatch.reports.words import NOT_KNOWN, count, dated, hours, moment, rate, share, size

BAR_LEAST, BAR_MOST = 10, 40
ROWS_OF_PROGRESS = 24
# A line that goes on does so under its value, not under its label.
HANGING = 19
NARROWEST = 40


def status(
    arrays: Sequence[ArrayStatus],
    sources: Sequence[SourceRecord],
    now: datetime,
    zone: str,
    width: int,
    *,
    every_drive: bool = False,
) -> str:
    """The arrays with what is wrong first, then when each source was read.

    Drives in trouble are named; with ``every_drive`` all of them are.
    """
    lines = [_overall(arrays, sources), ""]
    for array in sorted(arrays, key=_urgency):
        lines += [*_array(array, zone, width), *drive_lines(array.drives, every=every_drive), ""]
    lines.append("sources")
    lines += [line for source in sources for line in _source(source, now)] or ["  none has been read yet"]
    return _fold(lines, width)


def _fold(lines: Sequence[str], width: int) -> str:
    """The lines, those that are too wide gone on below."""
    room = max(NARROWEST, width)
    return "\n".join(
        row
        for line in lines
        for row in (wrap(line, room, subsequent_indent=" " * HANGING) if len(line) > room else [line])
    )


def _urgency(status_of: ArrayStatus) -> tuple[int, str]:
    left = status_of.redundancy_left
    whole = left is not None and left >= (status_of.redundancy_full or 0) and not status_of.gone
    return (1 if whole else 0, status_of.array.name)


def _overall(arrays: Sequence[ArrayStatus], sources: Sequence[SourceRecord]) -> str:
    wrong = [clean(a.array.name) for a in arrays if _urgency(a)[0] == 0]
    blind = [clean(source.source) for source in sources if source.error is not None]
    told = [f"NOT WHOLE: {', '.join(wrong)}" if wrong else f"{count(len(arrays), 'array', 'arrays')}, all whole"]
    told += [f"CANNOT BE READ: {', '.join(blind)}"] if blind else []
    return "; ".join(told) if arrays or blind else "no arrays have been seen"


def _array(status_of: ArrayStatus, zone: str, width: int) -> list[str]:
    array = status_of.array
    left = "not known" if status_of.redundancy_left is None else str(status_of.redundancy_left)
    full = "not known" if status_of.redundancy_full is None else str(status_of.redundancy_full)
    level = clean(array.level or "unknown level")
    lines = [f"{clean(array.name)}  {clean(array.system)} {level}  {clean(array.state)}"]
    lines.append(f"  may still lose   {left} of {full} drives")
    if array.why_unknown:
        lines.append(f"  not known why    {clean(array.why_unknown)}")
    if status_of.gone:
        lines.append(f"  gone             last seen {moment(status_of.seen, zone)}")
    if status_of.window is not None:
        known = "" if status_of.window.opened_known else " or before"
        opened = f"since {moment(status_of.window.opened, zone)}{known}"
        lines.append(f"  not whole for    {hours(status_of.window.hours)} {opened}")
        lines += [_clock(level, status_of) for level in sorted(status_of.clocks_hours, reverse=True)]
    for run in status_of.runs:
        lines += _run(run, status_of, zone, width)
    if status_of.window is not None and not any(run.run.type == "rebuild" for run in status_of.runs):
        lines.append("  rebuild          none is running")
    for alert in status_of.standing:
        when = f"{'reminded' if alert.reminder else 'since'} {moment(alert.at, zone)}"
        lines.append(f"  {alert.level.value:<16} {headline(alert, zone)}, {when}")
    seen = (*status_of.shared, *status_of.suspects, *array.notes, *(array.remarks or ()))
    lines += [f"  look at          {clean(line)}" for line in seen]
    if status_of.window is None and status_of.limits_hours:
        limits = (f"{_left(level)} {hours(limit)}" for level, limit in sorted(status_of.limits_hours.items()))
        lines.append(f"  limits           {', '.join(limits)}")
    if status_of.usual_hours is not None:
        lines.append(f"  usual rebuild    {hours(status_of.usual_hours)}, by {clean(status_of.usual_basis)}")
    return lines


def _left(level: int) -> str:
    return "none left" if level <= 0 else f"{level} left"


def _clock(level: int, status_of: ArrayStatus) -> str:
    """How long this much was left at most, against what is allowed."""
    passed, limit = status_of.clocks_hours[level], status_of.limits_hours.get(max(0, level))
    over = "  OVER THE LIMIT" if limit is not None and passed > limit else ""
    return f"    {_left(level):<15}{hours(passed)}, limit {hours(limit)}{over}"


def _limit(status_of: ArrayStatus) -> float | None:
    """The limit of the clock that runs at what is left now."""
    return status_of.limits_hours.get(max(0, status_of.redundancy_left or 0))


def _run(run: RunStatus, status_of: ArrayStatus, zone: str, width: int) -> list[str]:
    label = "rebuild" if run.run.type == "rebuild" else clean(run.run.word)
    room = max(BAR_LEAST, min(BAR_MOST, width - 40))
    lines = [f"  {label:<16} {bar(run.done, room)} {share(run.done)}"]
    if run.held:
        lines.append(f"    held           {clean(run.held)}")
    if run.run.type != "rebuild":
        return lines
    sample = run.sample
    if run.run.members:
        lines.append(f"    onto           {', '.join(clean(name) for name in run.run.members)}")
    if sample is None or sample.forecast is None:
        return lines
    lines.append(f"    lately         {rate(sample.forecast.rate_bytes_per_s)}")
    lines.append(f"    ends           {finish_in_words(sample.forecast.finish, zone)}")
    if sample.window_hours is not None and sample.window_hours.p50 is not None:
        whole, limit = sample.window_hours.p50, _limit(status_of)
        over = "  OVER THE LIMIT" if limit is not None and whole > limit else ""
        lines.append(f"    then not whole {hours(whole)} in all, limit {hours(limit)}{over}")
    if sample.native_finish is not None:
        lines.append(f"    system says    {moment(sample.native_finish, zone)}")
    lines += [f"    why            {clean(finding.evidence)}" for finding in sample.causes]
    return lines


def finish_in_words(finish: Quantiles | None, zone: str) -> str:
    """A projected end with its range."""
    if finish is None:
        return "nothing can be said yet"
    if finish.p50 is None:
        early = f"; at the earliest {moment(finish.p10, zone)}" if finish.p10 is not None else ""
        return f"not in sight{early}"
    early = moment(finish.p10, zone) if finish.p10 is not None else NOT_KNOWN
    late = moment(finish.p90, zone) if finish.p90 is not None else "not in sight"
    return f"about {moment(finish.p50, zone)} {zone} (between {early} and {late})"


def bar(done: float | None, room: int) -> str:
    """Progress in characters: what is done, what is not, and a mark between."""
    if done is None:
        return f"|{'?' * room}|"
    filled = max(0, min(room, int(done * room)))
    return f"|{'=' * filled}{' ' * (room - filled)}|"


def _source(source: SourceRecord, now: datetime) -> list[str]:
    age = hours(max(0.0, (now - source.polled).total_seconds()) / 3600)
    told = f"  {clean(source.source):<10} read {age} ago, {count(len(source.arrays), 'array', 'arrays')}"
    if source.unread:
        told += f", {count(source.unread, 'line', 'lines')} not understood"
    if source.error is not None:
        told += f"; cannot be read: {clean(source.error)}"
    return [told, *(f"    line {line.line}: {clean(line.text.strip())}" for line in source.first_unread)]


def history_text(runs: Sequence[RunRecord], windows: Sequence[WindowRecord], zone: str) -> str:
    """Rebuilds, windows and passes, a line each."""
    rebuilds = [run for run in runs if run.type == "rebuild"]
    passes = [run for run in runs if run.type != "rebuild"]
    lines = ["rebuilds"]
    lines += [_run_line(run, zone) for run in rebuilds] or ["  none"]
    lines += ["", "times without full redundancy"]
    lines += [_window_line(window, zone) for window in windows] or ["  none"]
    lines += ["", "passes"]
    lines += [_run_line(run, zone) for run in passes] or ["  none"]
    return "\n".join([*lines, "", f"times in {zone}"])


def _run_line(run: RunRecord, zone: str) -> str:
    onto = f" onto {', '.join(clean(name) for name in run.members)}" if run.members else ""
    took = hours(run.hours)
    outcome = "running" if run.outcome is Outcome.RUNNING else f"{run.outcome.value} after"
    word = "" if run.type == "rebuild" else f" {clean(run.word)}"
    return f"  {clean(run.id)}  {dated(run.started, zone)}  {clean(run.array)}{word}  {outcome} {took}{onto}"


def _window_line(window: WindowRecord, zone: str) -> str:
    known = "" if window.opened_known else " or before"
    end = "still open" if window.closed is None else f"closed {dated(window.closed, zone)}"
    began = f"{dated(window.opened, zone)}{known}"
    return f"  {clean(window.id)}  {began}  {clean(window.array)}  {hours(window.hours)}, {end}"


def show_run(
    run: RunRecord,
    samples: Sequence[Sample],
    alerts: Sequence[Alert],
    deliveries: Sequence[tuple[str, str, str]],
    zone: str,
    width: int,
) -> str:
    """One rebuild or pass: figures, progress as it went with what was projected then, alerts, causes."""
    lines = [
        f"{run.type} {clean(run.id)}",
        f"  array        {clean(run.array)} ({clean(run.source)})",
        f"  what         {clean(run.word)}" + (f" onto {', '.join(map(clean, run.members))}" if run.members else ""),
        f"  began        {dated(run.started, zone)} {zone}",
        f"  ended        {dated(run.ended, zone) if run.ended is not None else 'not yet'}",
        f"  outcome      {run.outcome.value} after {hours(run.hours)}",
    ]
    if run.bytes is not None:
        mean = f", mean {rate(run.bytes / (run.hours * 3600))}" if run.hours > 0 else ""
        lines.append(f"  work         {size(run.bytes)}{mean}")
    if run.first_finish is not None:
        lines.append(f"  first said   {finish_in_words(run.first_finish, zone)}")
    if run.after:
        lines.append(f"  starts over  {clean(run.after)}")
    lines += [f"  why          {clean(finding.evidence)}" for finding in run.causes]
    lines += _progress(samples, zone, width)
    return _fold([*lines, *_alerts(alerts, deliveries, zone)], width)


def _progress(samples: Sequence[Sample], zone: str, width: int) -> list[str]:
    """Some twenty rows over the length of the run: when, how far, how fast, and the end as projected then."""
    if not samples:
        return []
    step = -(-len(samples) // ROWS_OF_PROGRESS)
    chosen = [*samples[::step], *([samples[-1]] if (len(samples) - 1) % step else [])]
    room = max(BAR_LEAST, min(BAR_MOST, width - 62))
    lines = ["", f"progress ({count(len(samples), 'poll', 'polls')}; the end as it was projected then)"]
    for sample in chosen:
        forecast = sample.forecast
        end = forecast.finish.p50 if forecast is not None and forecast.finish is not None else None
        speed = rate(forecast.rate_bytes_per_s) if forecast is not None else "not known"
        projected = moment(end, zone) if end is not None else "-"
        done = f"{share(sample.done):>6} {speed:>10}"
        lines.append(f"  {moment(sample.at, zone)} {bar(sample.done, room)} {done}  {projected}")
    return lines


def show_window(
    window: WindowRecord,
    runs: Sequence[RunRecord],
    alerts: Sequence[Alert],
    deliveries: Sequence[tuple[str, str, str]],
    zone: str,
) -> str:
    """One time without full redundancy: when, how long, what was rebuilt in it, and what was said."""
    known = "" if window.opened_known else " (already so when first seen)"
    least = "not known" if window.redundancy_least is None else str(window.redundancy_least)
    lines = [
        f"window {clean(window.id)}",
        f"  array        {clean(window.array)} ({clean(window.source)})",
        f"  opened       {dated(window.opened, zone)} {zone}{known}",
        f"  closed       {dated(window.closed, zone) if window.closed is not None else 'still open'}",
        f"  lasted       {hours(window.hours)}",
        f"  least        {least} of {window.redundancy_full} drives could still be lost",
        "",
        "rebuilds",
        *([_run_line(run, zone) for run in runs] or ["  none"]),
    ]
    return "\n".join([*lines, *_alerts(alerts, deliveries, zone)])


def _alerts(alerts: Sequence[Alert], deliveries: Sequence[tuple[str, str, str]], zone: str) -> list[str]:
    lines = ["", "alerts"]
    for alert in alerts:
        again = f" (reminder {alert.reminder})" if alert.reminder else ""
        lines.append(f"  {moment(alert.at, zone)}  {alert.level.value:<6}  {headline(alert, zone)}{again}")
        lines += [f"      {clean(channel)}: {clean(how)}" for name, channel, how in deliveries if name == alert.id]
    return lines if alerts else [*lines, "  none"]
