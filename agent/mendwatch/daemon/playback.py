"""Plays captures through the whole pipeline with their own times as the clock, delivering nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from mendwatch import cycle
from mendwatch.history import History
from mendwatch.model.capture import Capture
from mendwatch.model.plugin import Parser
from mendwatch.model.policy import HostPolicy
from mendwatch.model.state import Moment
from mendwatch.sources.registry import reader
from mendwatch.tracker.intervals import already_held


def play(
    captures: Iterable[Capture],
    parsers: Mapping[str, Parser],
    host: HostPolicy,
    history: History,
    unknown: Callable[[str], None] = lambda _source: None,
) -> Iterator[cycle.Step]:
    """Yield one step for each poll that the history does not hold yet, each committed before it is yielded.

    Args:
        captures: in the order in which they were taken.
        parsers: by source name.
        host: the policy, with the host's name.
        history: continued where it ends.
        unknown: told each source that no parser reads, once.
    """
    states = {source: cycle.load(text) for source, text in history.states().items()}
    held = {source: state.track.last for source, state in states.items()}
    skipped: set[str] = set()
    for capture in captures:
        parser = reader(parsers, capture)
        if parser is None:
            if capture.source not in skipped:
                skipped.add(capture.source)
                unknown(capture.source)
            continue
        if capture.source in held:
            if already_held(held[capture.source], Moment(capture.at, capture.boot, capture.up)):
                continue
            # From the first poll that is new, all are: a clock set back later on makes none of them old.
            del held[capture.source]
        state = states.get(capture.source) or cycle.begin(capture.source)
        step = cycle.step(state, capture, parser, host)
        history.commit(step.commit)
        states[capture.source] = step.state
        yield step
