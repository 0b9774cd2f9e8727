"""The whole preflight, line by line: what the agent would meet if it started now. Nothing is changed or sent."""

from __future__ import annotations

import os
import pwd
import sys
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import mendwatch
from mendwatch.cycle import observe
from mendwatch.daemon.configfile import Configuration, load
from mendwatch.daemon.preflight import files
from mendwatch.daemon.preflight.check import Check, fault, fine, note
from mendwatch.daemon.preflight.places import array_beneath, ground
from mendwatch.daemon.wiring import poller
from mendwatch.daemon.zone import local_zone
from mendwatch.delivery import registry as channels
from mendwatch.delivery.routes import levels
from mendwatch.history import HISTORY_NAME, History
from mendwatch.model.alert import Level
from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.clock import Clock
from mendwatch.model.errors import HistoryError, SettingsError, SourceError
from mendwatch.model.observation import Array
from mendwatch.model.plugin import Parser
from mendwatch.parsers.printed import Printed
from mendwatch.settings import Settings
from mendwatch.sources import registry as parsers
from mendwatch.sources.disks import Disks
from mendwatch.sources.run import Runner

_REFUSED = ("permission denied", "not permitted", "must be root", "are you root")
_AS_ROOT = "run the agent as root (the service has a drop-in for it: with-btrfs.conf)"
_FLEETING = ("tmpfs", "ramfs")
_LEEWAY = timedelta(minutes=5)


def inspect(named: Path | None, clock: Clock, environment: Mapping[str, str] = os.environ) -> Iterator[Check]:
    """Look at everything in turn; each line comes as soon as it is known.

    Args:
        named: the configuration that ``--config`` names.
        clock: the one clock.
        environment: where the configuration's name is looked up.

    Raises:
        UsageError: the configuration cannot be read.
    """
    try:
        configuration = load(named, environment)
    except SettingsError as error:
        for problem in error.problems:
            yield fault(f"configuration {error.file}", f"{problem.where}: {problem.what}", problem.right)
        return
    settings = configuration.settings
    yield from _configuration(configuration)
    yield _rights()
    arrays: list[Array] = []
    yield from _sources(settings, clock, arrays)
    yield from _channels(settings, clock)
    yield from _state(settings, clock)
    policy = settings.to_policy("")
    yield from _grounds(settings, [array for array in arrays if policy.for_array(array.name).watch])
    yield _clock(clock)


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def _is_root() -> bool:
    return os.geteuid() == 0


def _configuration(configuration: Configuration) -> Iterator[Check]:
    if configuration.file is None:
        yield fine("configuration", configuration.said_by)
        return
    found = list(files.configuration(configuration.file, as_root=_is_root()))
    yield from found or [fine(f"configuration {configuration.file}", f"valid; named by {configuration.said_by}")]


def _rights() -> Check:
    if _is_root():
        said = "run as root; if the agent runs as a user of its own, run this as that user too (sudo -u mendwatch ...)"
        return fine("rights", said)
    return fine("rights", f"run as {_user()}: enough for OpenZFS and md; btrfs and device-mapper tell all only to root")


def _sources(settings: Settings, clock: Clock, arrays: list[Array]) -> Iterator[Check]:
    """Poll each source once; what is understood is added to ``arrays``."""
    found = parsers.load(settings.sources)
    for name, why in found.failed.items():
        yield fault(f"source {name}", f"cannot be loaded: {why}", "mend or uninstall the plug-in")
    runner = Runner(clock)
    disks = Disks(clock, Path(settings.host.root))
    present = 0
    for name, parser in found.parsers.items():
        asked = settings.sources[name]
        one = poller(parser, settings, disks, runner, clock)
        if asked.enabled is False:
            yield fine(f"source {name}", "left out by the configuration")
        elif one.present():
            present += 1
            try:
                capture = one.capture()
            except SourceError as error:
                yield fault(f"source {name}", str(error), "mend or uninstall the plug-in, or switch it off")
                continue
            yield from _source(parser, capture, arrays, by_name=asked.enabled is True)
        elif asked.enabled:
            said = f"not on this host (nothing matches {', '.join(parser.present_if)})"
            yield fault(f"source {name}", said, f"load its kernel module, or take enabled out of [source.{name}]")
        else:
            yield fine(f"source {name}", "not on this host")
    if not present:
        to_do = "if it should be: load the kernel module, or set root in [host] inside a container"
        yield fault("sources", "no storage system was found, so nothing would be watched", to_do)


def _source(parser: Parser, capture: Capture, arrays: list[Array], *, by_name: bool) -> Iterator[Check]:
    about = f"source {parser.name}"
    seen = observe(capture, parser)
    arrays.extend(seen.arrays)
    refused = _refused(capture)
    if seen.error is not None and refused and not by_name:
        # The device mapper, for one, is on most hosts, with or without arrays; without rights there is no telling.
        to_do = f"if it has any: {_AS_ROOT}; if not: enabled = false in [source.{parser.name}]"
        yield note(about, f"whether it has arrays cannot be seen as {_user()}: {refused} was refused", to_do)
        return
    if seen.error is not None:
        yield fault(about, f"cannot be read as {_user()}: {seen.error}", _to_do(parser, capture, refused))
        return
    names = ", ".join(array.name for array in seen.arrays) or "none"
    yield fine(about, f"read as {_user()}; arrays understood: {names}")
    if refused:
        yield note(about, f"{refused} was refused to {_user()}, so less is seen", _AS_ROOT)
    if seen.unread:
        first = seen.unread[0].text.strip()
        said = f"{len(seen.unread)} lines were not understood, the first: {first}"
        yield note(about, said, f"report what it prints: mendwatch record --redact --source {parser.name}")


def _refused(capture: Capture) -> str | None:
    """The first command or file that needs more rights than we have."""
    for command in capture.commands():
        told = f"{command.stderr} {command.error or ''}".lower()
        if command.exit != 0 and any(word in told for word in _REFUSED):
            return " ".join(command.argv)
    return next(
        (file.path for file in capture.files() if any(word in (file.error or "").lower() for word in _REFUSED)), None
    )


def _to_do(parser: Parser, capture: Capture, refused: str | None) -> str:
    if isinstance(parser, Printed):
        return "run it by hand under its account; what it must print is in config/observation.schema.json"
    if refused:
        return _AS_ROOT
    silent = [read for read in capture.reads if isinstance(read, CommandRead) and read.exit is None]
    if silent and "not installed" in (silent[0].error or ""):
        return f"install {parser.program}, or name it with command in [source.{parser.name}]"
    if silent:
        return (
            f"see whether {parser.program} answers by hand; a higher timeout in [source.{parser.name}] gives it longer"
        )
    return f"see what {parser.program or 'the kernel'} says by hand"


def _channels(settings: Settings, clock: Clock) -> Iterator[Check]:
    kinds = channels.load({channel.kind for channel in settings.channels})
    host = settings.host.name or os.uname().nodename
    for channel in settings.channels:
        about = f"channel {channel.name}"
        try:
            kinds.open(channel, host, clock)
        except SettingsError as error:
            for problem in error.problems:
                where = problem.where.removesuffix(f' of the channel "{channel.name}"')
                yield fault(about, f"{where}: {problem.what} ({error.file})", problem.right)
            continue
        found = list(files.secrets(channel, as_root=_is_root()))
        yield from found or [fine(about, f"{channel.kind}, ready to send (mendwatch page-test tries it)")]
    if not any(Level.PAGE in levels(c.options) for c in settings.channels if c.kind != "log"):
        said = "none takes pages, so nobody would be woken"
        yield fault("channels", said, 'add a [[channel]] of kind webhook or email with "page" in its levels')


def _state(settings: Settings, clock: Clock) -> Iterator[Check]:
    path = Path(settings.host.state_dir)
    yield files.state_dir(path)
    history = path / HISTORY_NAME
    try:
        if not history.exists():
            return
        with History.open(history, readonly=True) as store:
            polled = [source.polled for source in store.sources()]
    except PermissionError:
        yield note(f"history {history}", f"cannot be looked at as {_user()}", "run this as the agent's user")
        return
    except HistoryError as error:
        yield fault(f"history {history}", str(error), "do what it says before the agent starts")
        return
    latest = max(polled, default=None)
    if latest is not None and latest > clock.now() + _LEEWAY:
        said = f"its last poll was at {latest:%Y-%m-%d %H:%M} UTC, which is still to come"
        yield fault(f"history {history}", said, "set this host's clock")
    else:
        yield fine(f"history {history}", "can be read")


def _grounds(settings: Settings, arrays: Iterable[Array]) -> Iterator[Check]:
    watched = list(arrays)
    root = Path(settings.host.root)
    places = {
        "state directory": Path(settings.host.state_dir),
        "Python interpreter": Path(sys.prefix),
        "agent's own files": Path(mendwatch.__file__).parent,
    }
    for what, path in places.items():
        about = f"{what} {path}"
        on = ground(path, root)
        array = array_beneath(on, watched, root)
        if array is not None:
            to_do = (
                "set state_dir in [host] to a drive that is in no watched array"
                if what == "state directory"
                else "install the agent on a drive that is in no watched array"
            )
            said = f"stands on the array {array.name}, which is watched: if that hangs, the agent may hang with it"
            yield note(about, said, to_do)
        elif on.mount is None:
            yield note(about, "what it stands on could not be found out", "make sure that it is on no watched array")
        elif what == "state directory" and on.mount.kind in _FLEETING:
            yield note(about, f"stands on {on.mount.kind}: the history is lost at each boot", "set state_dir in [host]")
        else:
            yield fine(about, f"on no watched array ({on.mount.kind} at {on.mount.point})")


def _clock(clock: Clock) -> Check:
    now = clock.now()
    installed = datetime.fromtimestamp(Path(mendwatch.__file__).stat().st_mtime, UTC)
    said = f"{now:%Y-%m-%d %H:%M:%S} UTC, time zone {local_zone()}"
    if now < installed - _LEEWAY:
        return fault("clock", f"{said}: before the agent was installed", "set this host's clock")
    return fine("clock", said)
