"""An alert made ready for people: a title that says it all, a body for one screen of a phone, and the same as HTML."""

from __future__ import annotations

from jinja2 import Environment

from mendwatch.model.alert import Alert, AlertKind, Level, Message
from mendwatch.reports import published
from mendwatch.reports.advice import NO_GUARANTEE, advice_for
from mendwatch.reports.clean import clean
from mendwatch.reports.tellings import body, headline, left_in_words
from mendwatch.reports.words import moment

TITLE_LONGEST = 140
CAUSES_TOLD = 2
ABOUT_ARRAYS = frozenset(AlertKind) - {
    AlertKind.SOURCE_BLIND,
    AlertKind.SOURCE_SIGHTED,
    AlertKind.CHANNEL_FAILING,
    AlertKind.TEST,
}
_HTML = Environment(autoescape=True).from_string(
    """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<meta name="color-scheme" content="light dark"><title>{{ title }}</title></head>
<body style="font:16px/1.5 sans-serif;max-width:36em;margin:1em auto;padding:0 1em">
<p style="border-left:.4em {{ 'double' if page else 'dotted' }};padding-left:.6em"><strong>{{ title }}</strong></p>
{% for paragraph in paragraphs %}<p>{% for line in paragraph %}{{ line }}{% if not loop.last %}<br>{% endif %}
{% endfor %}</p>
{% endfor %}</body></html>
"""
)


def render(alert: Alert, zone: str) -> Message:
    """The message of an alert.

    Args:
        alert: as it left the core.
        zone: the IANA zone in which people on the host read times.
    """
    title = _title(alert, zone)
    paragraphs = [part for part in _paragraphs(alert, zone) if part]
    text = "\n\n".join("\n".join(part) for part in paragraphs)
    html = _HTML.render(title=title, paragraphs=paragraphs, page=alert.level is Level.PAGE)
    thread = alert.rebuild or alert.window or alert.array_id or f"{alert.host}/{alert.system}"
    return Message(alert, title, text, html, published.alert(alert, title, text), thread)


def _title(alert: Alert, zone: str) -> str:
    subject = clean(alert.array or alert.system)
    again = f" (reminder {alert.reminder})" if alert.reminder else ""
    title = f"{' '.join(filter(None, (clean(alert.host), subject)))}: {headline(alert, zone)}{again}"
    return title if len(title) <= TITLE_LONGEST else f"{title[: TITLE_LONGEST - 1]}…"


def _paragraphs(alert: Alert, zone: str) -> list[list[str]]:
    about_array = alert.kind in ABOUT_ARRAYS
    happened = body(alert, zone)
    if about_array:
        happened = [left_in_words(alert), *happened]
    ended = {AlertKind.REBUILD_ENDED, AlertKind.REDUNDANCY_RESTORED, AlertKind.REBUILD_FAILED}
    projection = _projection(alert, zone) if alert.kind not in ended else []
    told = alert.causes[:CAUSES_TOLD]
    causes = [f"Why: {clean(finding.evidence)}" for finding in told]
    advised = advice_for(alert.kind, tuple(finding.cause for finding in told))
    steps = [f"{number}. {advice.value}" for number, advice in enumerate(advised, start=1)]
    page = alert.level is Level.PAGE
    return [
        happened,
        projection,
        causes,
        steps if page or alert.kind is AlertKind.REBUILD_FAILED else [],
        [*([NO_GUARANTEE] if page else []), _reference(alert), *([] if projection else [f"times in {zone}"])],
    ]


def _projection(alert: Alert, zone: str) -> list[str]:
    finish = alert.finish
    if finish is None:
        return []
    if finish.p50 is None:
        early = f" (at the earliest {moment(finish.p10, zone)})" if finish.p10 is not None else ""
        return [f"The end of the rebuild is not in sight{early}.", f"Times are in {zone}."]
    early = moment(finish.p10, zone) if finish.p10 is not None else "not known"
    late = moment(finish.p90, zone) if finish.p90 is not None else "not in sight"
    return [f"Rebuild ends about {moment(finish.p50, zone)} {zone}", f"(between {early} and {late})."]


def _reference(alert: Alert) -> str:
    parts = [f"host {clean(alert.host)}"]
    if alert.array:
        parts.append(f"{clean(alert.system)} {clean(alert.array)}")
    if alert.rebuild:
        parts.append(f"rebuild {clean(alert.rebuild)}")
    elif alert.window:
        parts.append(f"window {clean(alert.window)}")
    return ", ".join(parts)
