"""``mendwatch demo``: an invented server's drives are replaced twice, at high speed; what is sent really arrives."""

from __future__ import annotations

import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import structlog
import typer

from mendwatch.daemon.demo import story
from mendwatch.daemon.demo.play import Beat
from mendwatch.daemon.demo.show import Showing, verdict
from mendwatch.model.alert import Level
from mendwatch.model.state import RunState
from mendwatch.reports import messages

Output = Annotated[
    Path | None,
    typer.Option(
        metavar="FOLDER",
        help="Where the history goes; a showing that was broken off goes on there. Default: a new temporary folder.",
    ),
]

_ERRORS = 40
_PROGRESS_EVERY = timedelta(hours=3)
_BAR = 12


def command(output: Output = None) -> None:
    """Play an invented server's story through everything that is real, and show what arrives."""
    # The story tells what happens; of the log only faults are of interest.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(_ERRORS))
    folder = output or Path(tempfile.mkdtemp(prefix="mendwatch-demo-"))
    showing = Showing(folder)
    try:
        _tell(showing)
        _arrived(showing)
    finally:
        showing.close()
    _farewell(showing)


def _tell(showing: Showing) -> None:
    for line in story.SETTING:
        typer.echo(line)
    teller = _Teller(ZoneInfo(story.SPRING.scenario.zone))
    for scene in showing.scenes():
        if scene.title is not None:
            typer.echo(f"\n{scene.title}")
        if scene.beat is not None:
            teller.tell(scene.beat)


class _Teller:
    """Tells the story line by line: each alert, and now and then how far the rebuild has come."""

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._progress_at: datetime | None = None

    def tell(self, beat: Beat) -> None:
        for alert in beat.alerts:
            mark = "PAGE  " if alert.level is Level.PAGE else "notice"
            typer.echo(f"  {self._time(beat.at)}  {mark}  {messages.render(alert, str(self._zone)).title}")
        due = self._progress_at is None or beat.at - self._progress_at >= _PROGRESS_EVERY
        for array in beat.state.track.arrays.values():
            for run in array.rebuilds:
                if due and run.done is not None:
                    self._progress_at = beat.at
                    typer.echo(f"  {self._time(beat.at)}  {self._progress(run)}")

    def _progress(self, run: RunState) -> str:
        done = run.done or 0.0
        bar = "#" * round(done * _BAR)
        text = f"[{bar:<{_BAR}}] {done:6.1%}"
        forecast = run.forecast
        if forecast is None or forecast.finish is None:
            return text
        if forecast.rate_bytes_per_s is not None:
            text += f"  {forecast.rate_bytes_per_s / 1e6:5.0f} MB/s"
        if forecast.finish.p50 is None:
            return f"{text}, no end in sight"
        return f"{text}, ends about {self._time(forecast.finish.p50)}"

    def _time(self, at: datetime) -> str:
        return f"{at.astimezone(self._zone):%a %d %b %H:%M}"


def _arrived(showing: Showing) -> None:
    """What the listeners received: how much, and the first page as each of them got it."""
    events, mails = showing.events(), showing.mails()
    pages = [event for event in events if event["data"]["level"] == Level.PAGE.value]
    typer.echo("")
    typer.echo(f"What arrived: {len(events)} by web hook, of which {len(pages)} pages, and {len(mails)} by mail.")
    if pages:
        page = pages[0]
        typer.echo(f"\nThe first page as the web hook got it (CloudEvent {page['id']}):")
        for key in ("type", "source", "subject", "time"):
            typer.echo(f"  {key + ':':<9}{page[key]}")
        typer.echo(f"  title:   {page['data']['title']}")
        _indented(str(page["data"]["text"]))
    if mails:
        typer.echo("\nThe first mail as it came in:")
        for header in ("From", "To", "Date", "Subject"):
            typer.echo(f"  {header + ':':<9}{mails[0][header]}")
        text = mails[0].get_body(("plain",))
        _indented("" if text is None else str(text.get_content()))


def _indented(text: str) -> None:
    typer.echo("")
    for line in text.strip().splitlines():
        typer.echo(f"    {line}".rstrip())


def _farewell(showing: Showing) -> None:
    """How to read it all again, and whether it came out as it must."""
    come = verdict(showing.history)
    typer.echo("")
    if come.paged_after is not None:
        minutes = come.paged_after.total_seconds() / 60
        typer.echo(f"The slow replacement paged {minutes:.0f} minutes after it began.")
    typer.echo("The history of both replacements can be read again:")
    # As it was called: in an environment of its own the bare name is not on the PATH.
    called = sys.argv[0] if Path(sys.argv[0]).name == "mendwatch" else "mendwatch"
    typer.echo(f"  {called} history --history {showing.history}")
    for run in come.rebuilds:
        typer.echo(f"  {called} show {run} --history {showing.history}")
    if not come.well:
        typer.echo(f"mendwatch: the demo did not come out as it must: {come.why}", err=True)
        raise typer.Exit(1)
