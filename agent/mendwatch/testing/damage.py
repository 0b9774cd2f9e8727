"""The rule about outputs that arrive damaged: never a wrong 'all is well'.

Compared is what is understood of a damaged poll with what is understood of the same poll undamaged. Of a text that was
cut short, redundancy left is at most what it was; an array that was not whole does not come out whole; and a cut within
a line does not leave a host without any array, silently. Of other damage it is only asked that nothing but the parse
error is raised: what it made a correct text of another state cannot be told from the truth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.observation import Array, Observation
from mendwatch.model.plugin import Parser
from mendwatch.testing.cases import Case, understood

DAMAGES = 200  # to each case
_SHORT, _MOSTLY = 40, 0.8  # texts that say little are many: this share of damage goes to the longer ones
_FOREIGN = ("\x00", "\ufffd", "\x1b", "§", "\u2028", "\u0661", "9" * 400, "-1", "nan", "{", "\t")


@dataclass(frozen=True, slots=True)
class Damage:
    """One damaged poll.

    Attributes:
        cut: it was cut short.
        inside: within a line, so that it can be seen.
    """

    what: str
    capture: Capture
    cut: bool = False
    inside: bool = False


def survives_damage(parser: Parser, cases: Sequence[Case], damages: int = DAMAGES) -> Iterator[str]:
    """Damaged outputs raise nothing but the parse error, and never make an array look better than it is."""
    for case in cases:
        try:
            truth = understood(parser, case.capture)
        except Exception:  # noqa: BLE001, S112 - it is told where the case is held against what is expected
            continue
        for damage in _damaged(case.capture, Random(case.name), damages):  # noqa: S311 - the same each time, on purpose
            try:
                told = understood(parser, damage.capture)
            except Exception as error:  # noqa: BLE001 - whatever it throws is the finding
                yield f"{case.name}: {damage.what}: {error!r}"
                continue
            yield from (f"{case.name}: {damage.what}: {wrong}" for wrong in _wrongs(damage, truth, told))


def _damaged(capture: Capture, chance: Random, count: int) -> Iterator[Damage]:
    texts = [at for at, read in enumerate(capture.reads) if _text(read)]
    if not texts:
        return
    long = [at for at in texts if len(_text(capture.reads[at])) > _SHORT] or texts
    for number in range(count):
        at = chance.choice(long if chance.random() < _MOSTLY else texts)
        read = capture.reads[at]
        text = _text(read)
        name = " ".join(read.argv) if isinstance(read, CommandRead) else read.path
        place = chance.randrange(len(text))
        match number % 5:
            case 0 | 1:
                yield Damage(
                    f"{name} cut after {place} characters",
                    _with(capture, at, text[:place]),
                    cut=True,
                    inside=_is_inside(text, place),
                )
            case 2:
                lines = text.splitlines(keepends=True)
                line = chance.randrange(len(lines))
                changed = _with(capture, at, "".join(lines[:line] + lines[line + 1 :]))
                yield Damage(f"{name} without line {line + 1}", changed)
            case 3:
                yield Damage(f"{name} twice from character {place} on", _with(capture, at, text + text[place:]))
            case _:
                foreign = chance.choice(_FOREIGN)
                end = place + chance.randrange(3)
                changed = _with(capture, at, text[:place] + foreign + text[end:])
                yield Damage(f"{name} with {foreign[:5]!r} at character {place}", changed)


def _is_inside(text: str, place: int) -> bool:
    """Whether something of a line is left by a cut, but not all of it."""
    left, rest = text[:place].rpartition("\n")[2], text[place:].partition("\n")[0]
    return bool(left.strip()) and bool(rest.strip())


def _text(read: Read) -> str:
    return read.stdout if isinstance(read, CommandRead) else read.text or ""


def _with(capture: Capture, at: int, text: str) -> Capture:
    read = capture.reads[at]
    changed: Read = replace(read, stdout=text) if isinstance(read, CommandRead) else FileRead(read.path, text)
    return replace(capture, reads=(*capture.reads[:at], changed, *capture.reads[at + 1 :]))


def _wrongs(damage: Damage, truth: Observation, told: Observation) -> Iterator[str]:
    if not damage.cut:
        return
    if damage.inside and truth.arrays and not told.arrays and told.complete and not (told.error or told.unread):
        yield "says that there is no array"
    for before in truth.arrays:
        after = next((array for array in told.arrays if {array.name, array.id} & {before.name, before.id}), None)
        if after is not None and is_whole(after) and not is_whole(before):
            yield f"{before.name} was {shown(before)}, and now seems whole with {shown(after)}"
        elif after is not None and has_more(before, after):
            yield f"{before.name} was {shown(before)}, now {shown(after)}"


def is_whole(array: Array) -> bool:
    """Whether an array is told to have all of its redundancy."""
    return array.redundancy_left is not None and array.redundancy_left == array.redundancy_full and not array.lost


def has_more(before: Array, after: Array) -> bool:
    """Whether more redundancy is told than was."""
    if after.redundancy_left is None or after.lost:
        return False
    return before.redundancy_left is None or after.redundancy_left > before.redundancy_left


def shown(array: Array) -> str:
    """Its redundancy in words."""
    lost = ", lost" if array.lost else ""
    return f"{array.redundancy_left} of {array.redundancy_full}{lost}"
