"""What each kind of alert has to tell: a headline for the title and lines for the body, from its facts."""

from __future__ import annotations

from collections.abc import Callable

from mendwatch.model.alert import Alert, AlertKind, Fact
from mendwatch.model.records import Cause
from mendwatch.reports.clean import clean
from mendwatch.reports.words import NOT_KNOWN, hours, moment, moment_of, rate, share, size

NAMES_TOLD = 6
NOTES_TOLD = 2
BEYOND_SIGHT = "no end in sight"
ABOUT_THE_NEW_DRIVE = frozenset({Cause.SHINGLED_WRITER, Cause.SLOW_WRITER})
OUTCOMES = {
    "cancelled": "was stopped before its end",
    "interrupted": "broke off",
    "finished": "ended, but not all that it filled is good",
    "finished-with-errors": "ended with errors, and not all that it filled is good",
}


def names(value: Fact) -> str:
    """A list of names, cleaned, the rest counted."""
    if not isinstance(value, list):
        return ""
    told = [clean(str(name)) for name in value]
    more = f" and {len(told) - NAMES_TOLD} more" if len(told) > NAMES_TOLD else ""
    return ", ".join(told[:NAMES_TOLD]) + more


def left_in_words(alert: Alert) -> str:
    """How much more may fail, in plain words."""
    left = alert.redundancy_left
    if left is None:
        return "How many more drive failures it survives is not known."
    if left < 0:
        return "More is lost than the layout survives."
    if left == 0:
        return "No redundancy left: one more drive failure loses data."
    return f"It surely survives {left} more drive failure{'s' if left > 1 else ''}."


def headline(alert: Alert, zone: str) -> str:
    """What is the matter and by when, in a few words."""
    return clean(_HEADLINES[alert.kind](alert, zone))


def body(alert: Alert, zone: str) -> list[str]:
    """What happened, in lines."""
    return [clean(line) for line in _BODIES[alert.kind](alert, zone) if line]


def _end(alert: Alert, zone: str, link: str = " until") -> str:
    if alert.finish is None or alert.finish.p50 is None:
        return ""
    return f"{link} about {moment(alert.finish.p50, zone)}"


def _shortage(alert: Alert) -> str:
    left = alert.redundancy_left
    return "no redundancy left" if left is not None and left <= 0 else "redundancy reduced"


def _limit(alert: Alert) -> str:
    return f" (limit {hours(alert.limit_hours)})" if alert.limit_hours is not None else ""


def _fact(alert: Alert, name: str) -> Fact:
    return alert.facts.get(name)


def _reduced_headline(alert: Alert, _zone: str) -> str:
    left = alert.redundancy_left
    already = "already " if _fact(alert, "first_seen") is True else ""
    return f"{already}no redundancy left" if left is not None and left <= 0 else f"{already}redundancy reduced"


def _reduced(alert: Alert, _zone: str) -> list[str]:
    before, after = _fact(alert, "from"), _fact(alert, "to")
    moved = f"Redundancy left fell from {before} to {after}." if before is not None else ""
    if _fact(alert, "first_seen") is True:
        moved = "It was already so when it was first seen."
    bad = names(_fact(alert, "members"))
    notes = _fact(alert, "notes")
    told = [_sentence(clean(str(note))) for note in notes[:NOTES_TOLD]] if isinstance(notes, list) else []
    return [moved, f"Not good: {bad}." if bad else "", *told, _state(alert)]


def _state(alert: Alert) -> str:
    state = _fact(alert, "state")
    return f"The storage system says: {clean(str(state))}." if state is not None else ""


def _lost(alert: Alert, _zone: str) -> list[str]:
    damaged = _fact(alert, "data_errors")
    return [
        f"Why: {clean(str(_fact(alert, 'why') or 'not known'))}.",
        f"Damaged data counted: {damaged}." if damaged else "",
        _state(alert),
    ]


def _gone(alert: Alert, zone: str) -> list[str]:
    since = moment_of(_fact(alert, "since"), zone)
    return [
        f"It has not been listed since {since}.",
        "The host was booted in between." if _fact(alert, "rebooted") is True else "",
        "It was without full redundancy when last seen." if _fact(alert, "was_degraded") is True else "",
    ]


def _errors(alert: Alert, _zone: str) -> list[str]:
    gains = _fact(alert, "members")
    lines: list[str] = []
    for gain in gains if isinstance(gains, list) else []:
        if isinstance(gain, dict):
            counts = [f"{gain.get(kind)} {kind}" for kind in ("read", "write", "checksum") if gain.get(kind)]
            lines.append(f"{clean(str(gain.get('name')))}: new errors: {', '.join(counts) or 'not told'}.")
    return lines[:NAMES_TOLD]


def _underway(alert: Alert, _zone: str) -> list[str]:
    drive = _fact(alert, "drive")
    described = ""
    if isinstance(drive, dict):
        parts = [clean(str(drive[key])) for key in ("model", "serial") if drive.get(key)]
        parts += [size(drive["size_bytes"])] if drive.get("size_bytes") else []
        described = f"New drive: {', '.join(parts)}." if parts else ""
    suspects = _fact(alert, "suspects")
    against = [clean(str(line)) for line in suspects] if isinstance(suspects, list) else []
    filled = names(_fact(alert, "members"))
    return [
        _sentence(f"{clean(str(_fact(alert, 'word') or 'rebuild'))} of {filled}") if filled else "",
        _so_far(alert),
        described,
        *(f"Speaks against it: {line}." for line in against[:2]),
    ]


def _so_far(alert: Alert) -> str:
    done, speed = _fact(alert, "done"), _fact(alert, "rate_bytes_per_s")
    told = [f"{share(done)} done" if done is not None else "", f"lately {rate(speed)}" if speed is not None else ""]
    return _sentence(", ".join(filter(None, told)))


def _sentence(text: str) -> str:
    """With a capital at its head and a stop at its end; nothing for nothing."""
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _over_headline(alert: Alert, zone: str) -> str:
    reason = _fact(alert, "reason")
    if reason == "waiting":
        return f"nothing rebuilds, {_shortage(alert)} for {hours(_fact(alert, 'elapsed_hours'))}{_limit(alert)}"
    past = f", past the limit of {hours(alert.limit_hours)}"
    if reason == "outlived":
        end = _end(alert, zone, ", until")
        return f"{_shortage(alert)} for {hours(_fact(alert, 'elapsed_hours'))}{end}{past}"
    return f"{_shortage(alert)}{_end(alert, zone) or ', ' + BEYOND_SIGHT}{past}"


def _over(alert: Alert, zone: str) -> list[str]:
    elapsed = hours(_fact(alert, "elapsed_hours"))
    reason = _fact(alert, "reason")
    what = {
        "waiting": f"No rebuild runs; {elapsed} have passed, {hours(alert.limit_hours)} are allowed.",
        "outlived": f"It has lasted {elapsed}; {hours(alert.limit_hours)} are allowed.",
        "later": f"The end has moved later than last said ({moment_of(_fact(alert, 'previous_p90'), zone)}).",
    }.get(str(reason), f"{elapsed} have passed; {hours(alert.limit_hours)} are allowed.")
    window = _fact(alert, "window_hours")
    lasts = ""
    if isinstance(window, dict) and window.get("p50") is not None:
        late = BEYOND_SIGHT if window.get("p90") is None else hours(window.get("p90"))
        lasts = f"Projected to last {hours(window.get('p50'))} in all ({hours(window.get('p10'))} to {late})."
    return [what, lasts, _so_far(alert), _usual(alert), _compared(alert)]


def _usual(alert: Alert) -> str:
    usual, basis = _fact(alert, "usual_hours"), _fact(alert, "usual_basis")
    if usual is None:
        return ""
    return f"Usual for this array: {hours(usual)}" + (f" ({clean(str(basis))})." if basis else ".")


def _compared(alert: Alert) -> str:
    """What a slow new drive needs yet, beside what one like its peers would need: side by side, without choosing."""
    peer = _fact(alert, "peer_hours")
    if peer is None or not any(finding.cause in ABOUT_THE_NEW_DRIVE for finding in alert.causes):
        return ""
    finish = alert.finish
    stays = BEYOND_SIGHT
    if finish is not None and finish.p50 is not None:
        stays = hours((finish.p50 - alert.at).total_seconds() / 3600)
    return f"If it stays: {stays}; a drive like its peers would need about {hours(peer)}, from the start."


def _within(alert: Alert, _zone: str) -> list[str]:
    window = _fact(alert, "window_hours")
    told = window.get("p50") if isinstance(window, dict) else None
    return [f"It is now projected to last {hours(told)}; {hours(alert.limit_hours)} are allowed."]


def _stalled_headline(alert: Alert, _zone: str) -> str:
    if _fact(alert, "waiting") is True:
        return "the rebuild waits behind another"
    return f"the rebuild has stood still for {hours(_fact(alert, 'for_hours'))}"


def _stalled(alert: Alert, zone: str) -> list[str]:
    why = _fact(alert, "why_held")
    return [
        f"Nothing has moved since {moment_of(_fact(alert, 'since'), zone)}.",
        f"Held: {clean(str(why))}." if why else "",
        f"{share(_fact(alert, 'done'))} done." if _fact(alert, "done") is not None else "",
    ]


def _restarted(alert: Alert, _zone: str) -> list[str]:
    times = _fact(alert, "times_in_window")
    return [
        "It began again from the start.",
        f"It had done {share(_fact(alert, 'had_done'))}." if _fact(alert, "had_done") is not None else "",
        f"Restarts since redundancy was lost: {times}." if times else "",
    ]


def _ended_headline(alert: Alert, _zone: str) -> str:
    errors = " with errors" if _fact(alert, "outcome") == "finished-with-errors" else ""
    return f"the rebuild has ended{errors} after {hours(_fact(alert, 'hours'))}"


def _ended(alert: Alert, zone: str) -> list[str]:
    first = _fact(alert, "first_finish")
    against = ""
    if isinstance(first, dict):
        first_p50 = moment_of(first.get("p50"), zone)
        against = f"First projected for {first_p50}; it ended {moment_of(_fact(alert, 'ended'), zone)}."
    speed, written = _fact(alert, "rate_bytes_per_s"), _fact(alert, "bytes")
    still = _fact(alert, "still_open_for")
    return [
        f"It took {hours(_fact(alert, 'hours'))}." + (f" Mean rate {rate(speed)}." if speed is not None else ""),
        f"Amount of work: {size(written)}." if written is not None else "",
        f"Errors: {_fact(alert, 'errors')}." if _fact(alert, "errors") else "",
        against,
        f"Redundancy is not full yet: {clean(str(still))}." if still else "",
        "Redundancy is full." if _fact(alert, "window_closed") is True else "",
    ]


def _outcome(alert: Alert) -> str:
    return OUTCOMES.get(str(_fact(alert, "outcome")), "did not succeed")


def _failed(alert: Alert, _zone: str) -> list[str]:
    return [
        f"It {_outcome(alert)} after {hours(_fact(alert, 'hours'))}.",
        f"It had done {share(_fact(alert, 'done'))}." if _fact(alert, "done") is not None else "",
        "Nothing rebuilds now.",
    ]


def _restored(alert: Alert, zone: str) -> list[str]:
    known = "" if _fact(alert, "opened_known") is not False else " (it was already so when first seen)"
    spares = names(_fact(alert, "spare_in_use"))
    free = _fact(alert, "spares_free")
    lasted, since = hours(_fact(alert, "hours")), moment_of(_fact(alert, "opened"), zone)
    return [
        f"Without full redundancy for {lasted}, since {since}{known}.",
        f"A spare stands in: {spares}; {free if free is not None else 'an unknown number'} left." if spares else "",
    ]


def _change(alert: Alert, what: str, name: str) -> str:
    before, after = (_fact(alert, f"{what}_{side}") for side in ("from", "to"))
    return f"{name}: {before}, now {after}." if before is not None and after is not None else ""


def _layout(alert: Alert, _zone: str) -> list[str]:
    return [
        _change(alert, "full", "Drives that may fail when whole"),
        _change(alert, "slots", "Slots"),
        "Taken for a change on purpose: neither a loss nor a restoration.",
    ]


def _blind(alert: Alert, zone: str) -> list[str]:
    arrays = names(_fact(alert, "arrays"))
    return [
        f"Since {moment_of(_fact(alert, 'since'), zone)}: {clean(str(_fact(alert, 'error') or 'no reason known'))}.",
        f"Not watched meanwhile: {arrays}." if arrays else "",
    ]


def _channel(alert: Alert, zone: str) -> list[str]:
    return [
        f"Since {moment_of(_fact(alert, 'since'), zone)}, attempts: {_fact(alert, 'attempts') or NOT_KNOWN}.",
        f"Last answer: {clean(str(_fact(alert, 'error') or 'none'))}.",
    ]


Telling = Callable[[Alert, str], list[str]]
_HEADLINES: dict[AlertKind, Callable[[Alert, str], str]] = {
    AlertKind.ARRAY_LOST: lambda alert, _zone: f"in danger: {clean(str(_fact(alert, 'why') or 'lost'))}",
    AlertKind.REDUNDANCY_REDUCED: _reduced_headline,
    AlertKind.ARRAY_GONE: lambda _alert, _zone: "the array is gone",
    AlertKind.MEMBER_ERRORS: lambda _alert, _zone: "new drive errors while redundancy is reduced",
    AlertKind.REBUILD_UNDERWAY: lambda alert, zone: f"a rebuild is underway{_end(alert, zone, ', ends')}",
    AlertKind.WINDOW_OVER_POLICY: _over_headline,
    AlertKind.WINDOW_WITHIN_POLICY: lambda alert, zone: (
        f"within the limit again{_end(alert, zone, ', ends')}{_limit(alert)}"
    ),
    AlertKind.REBUILD_STALLED: _stalled_headline,
    AlertKind.REBUILD_MOVING: lambda _alert, _zone: "the rebuild moves again",
    AlertKind.REBUILD_RESTARTED: lambda _alert, _zone: "the rebuild began again from the start",
    AlertKind.REBUILD_ENDED: _ended_headline,
    AlertKind.REBUILD_FAILED: lambda alert, _zone: f"the rebuild {_outcome(alert)}",
    AlertKind.REDUNDANCY_RESTORED: lambda _alert, _zone: "full redundancy is back",
    AlertKind.LAYOUT_CHANGED: lambda _alert, _zone: "the layout was changed",
    AlertKind.SOURCE_BLIND: lambda _alert, _zone: "cannot be read",
    AlertKind.SOURCE_SIGHTED: lambda _alert, _zone: "can be read again",
    AlertKind.CHANNEL_FAILING: lambda alert, _zone: (
        f"channel {clean(str(_fact(alert, 'channel') or '?'))} does not deliver"
    ),
    AlertKind.TEST: lambda _alert, _zone: "test alert",
}
_BODIES: dict[AlertKind, Telling] = {
    AlertKind.ARRAY_LOST: _lost,
    AlertKind.REDUNDANCY_REDUCED: _reduced,
    AlertKind.ARRAY_GONE: _gone,
    AlertKind.MEMBER_ERRORS: _errors,
    AlertKind.REBUILD_UNDERWAY: _underway,
    AlertKind.WINDOW_OVER_POLICY: _over,
    AlertKind.WINDOW_WITHIN_POLICY: _within,
    AlertKind.REBUILD_STALLED: _stalled,
    AlertKind.REBUILD_MOVING: lambda alert, _zone: [f"It had stood for {hours(_fact(alert, 'stood_hours'))}."],
    AlertKind.REBUILD_RESTARTED: _restarted,
    AlertKind.REBUILD_ENDED: _ended,
    AlertKind.REBUILD_FAILED: _failed,
    AlertKind.REDUNDANCY_RESTORED: _restored,
    AlertKind.LAYOUT_CHANGED: _layout,
    AlertKind.SOURCE_BLIND: _blind,
    AlertKind.SOURCE_SIGHTED: lambda alert, _zone: [f"It could not be read for {hours(_fact(alert, 'blind_hours'))}."],
    AlertKind.CHANNEL_FAILING: _channel,
    AlertKind.TEST: lambda _alert, _zone: ["This is a test. If you read it, the channel works."],
}
