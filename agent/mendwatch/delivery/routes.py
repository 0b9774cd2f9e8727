"""Which channels each alert goes to."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from mendwatch.model.alert import Alert, AlertKind, Level


def levels(options: Mapping[str, object]) -> frozenset[Level]:
    """The levels that a channel takes, by its table as written; all of them where it says nothing."""
    named = options.get("levels")
    return frozenset(Level(word) for word in named) if isinstance(named, list | tuple) else frozenset(Level)


def deliveries(alerts: Iterable[Alert], channels: Mapping[str, Collection[Level]]) -> tuple[tuple[str, str], ...]:
    """Pairs of alert id and channel name.

    Args:
        alerts: in the order in which they were raised.
        channels: by name, with the levels that each takes.
    """
    return tuple(
        (alert.id, name)
        for alert in alerts
        for name, taken in channels.items()
        if alert.level in taken
        # That a channel fails is nothing that it could say itself.
        and not (alert.kind is AlertKind.CHANNEL_FAILING and alert.facts.get("channel") == name)
    )
