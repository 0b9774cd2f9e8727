"""Which alert goes where."""

from __future__ import annotations

from mendwatch.delivery import routes
from mendwatch.delivery.failing import Failing, channel_failing
from mendwatch.model.alert import AlertKind, Level
from support.receivers import START, alert

CHANNELS = {"ops": frozenset(Level), "mail": frozenset({Level.PAGE})}


def test_each_channel_takes_its_levels_and_the_order_stays() -> None:
    page, notice = alert(1), alert(2, Level.NOTICE)
    assert routes.deliveries((page, notice), CHANNELS) == ((page.id, "ops"), (page.id, "mail"), (notice.id, "ops"))


def test_a_table_that_names_no_levels_takes_all() -> None:
    assert routes.levels({"levels": ["page"]}) == {Level.PAGE}
    assert routes.levels({}) == {Level.PAGE, Level.NOTICE}


def test_a_failing_channel_is_told_of_by_the_others_only() -> None:
    failing = channel_failing((Failing("ops", START, "refused", 7),), "store-1", START)
    taken = {"ops": frozenset(Level), "mail": frozenset(Level)}
    assert routes.deliveries(failing, taken) == ((failing[0].id, "mail"),)
    assert routes.deliveries(failing, {"ops": frozenset(Level)}) == ()


def test_one_alert_for_each_time_that_it_fails() -> None:
    first, again = Failing("ops", START, "refused", 7), Failing("ops", START, "reset", 9)
    other = Failing("ops", START.replace(hour=9), "refused", 1)
    alerts = [channel_failing((failing,), "store-1", START)[0] for failing in (first, again, other)]
    assert alerts[0].id == alerts[1].id != alerts[2].id
    assert alerts[0].kind is AlertKind.CHANNEL_FAILING
    assert alerts[0].level is Level.NOTICE
    assert alerts[0].facts == {
        "channel": "ops",
        "since": "2026-03-01T02:03:04.567000+00:00",
        "error": "refused",
        "attempts": 7,
    }
