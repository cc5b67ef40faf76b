"""Every channel of this machine on one page, in groups, with its health, and why one gives nothing."""

import re

import pytest

from soakd.clock import SystemClock
from soakd.model.channels import Role
from soakd.report.sensors import ChannelNow, sensors_view
from soakd.rules.thinning import Thinned
from soakd.service.readings import Watch

HTML = {"accept": "text/html"}
NEVER = Thinned(low=[None] * 60, mean=[None] * 60, high=[None] * 60)


@pytest.fixture
def client(shared):
    with shared.client(headers=HTML) as made:
        yield made


def test_every_channel_stands_there_once_under_its_role(client):
    text = client.get("/sensors").text
    shown = re.findall(r'data-name="([^"]+)"', text)
    known = Watch(SystemClock()).look()
    assert sorted(shown) == sorted(channel.name for channel in known)
    roles = re.findall(r'data-role="([^"]+)"', text)
    assert sorted(roles) == sorted({channel.role for channel in known})
    assert roles == sorted(roles, key=[role.value for role in Role].index), "what watches the processor comes first"
    assert "No plan has been run yet" in text


def test_the_search_works_without_a_script(client):
    text = client.get("/sensors", params={"of": " PSUTIL/memory "}).text
    assert re.findall(r'data-name="([^"]+)"', text) == ["psutil/memory available"]
    text = client.get("/sensors", params={"of": "memory-available"}).text
    assert re.findall(r'data-role="([^"]+)"', text) == ["memory-available"]
    nothing = client.get("/sensors", params={"of": "<b>"}).text
    assert "No channel has “&lt;b&gt;” in its name or role" in nothing


def test_the_part_alone_is_what_the_page_holds(client):
    part = client.get("/sensors/part").text
    assert "<html" not in part
    assert re.findall(r'data-name="([^"]+)"', part) == re.findall(r'data-name="([^"]+)"', client.get("/sensors").text)


def channel(**changes):
    given = {
        "name": "hwmon/x/y",
        "role": "fan",
        "unit": "rpm",
        "critical": None,
        "value": 700.0,
        "gap": None,
        "minutes": NEVER,
    }
    return ChannelNow(**(given | changes))


@pytest.mark.parametrize(
    ("gap", "health"),
    [
        ("absurd: 900", "absurd"),
        ("frozen: 61 °C", "frozen"),
        ("for now: a share needs two reads", "soon"),
        ("not permitted: /sys/x", "gap"),
    ],
)
def test_a_channel_without_a_reading_says_why(gap, health):
    view = sensors_view([channel(value=None, gap=gap)])
    row = view.groups[0].rows[0]
    assert (row.reading, row.health, row.why) == ("–", health, gap)
    assert view.silent == (("hwmon/x/y", gap),)
    assert view.saying == "1 channel, 1 of them without a reading"


def test_a_strip_keeps_the_peak_and_its_numbers_are_the_hour_s():
    high = [*NEVER.high[:-2], 99.5, 61.0]
    low = [*NEVER.low[:-2], 60.0, 58.0]
    minutes = Thinned(low=low, mean=[*NEVER.mean[:-2], 61.0, 60.0], high=high)
    row = sensors_view([channel(role="cpu-temperature", unit="°C", value=60.0, minutes=minutes)]).groups[0].rows[0]
    assert (row.hour, row.top, row.foot) == ("58.0 °C to 99.5 °C", "99.5 °C", "58.0 °C")
    assert row.band.startswith("M58 0h1"), "the peak touches the top"
    still = Thinned(low=[7.0] * 60, mean=[7.0] * 60, high=[7.0] * 60)
    row = sensors_view([channel(minutes=still)]).groups[0].rows[0]
    assert (row.hour, row.top, row.band) == ("7.0 rpm all the time", "", "")


def test_a_bench_that_shows_nothing_says_where_to_look():
    view = sensors_view([])
    assert (view.saying, view.groups, view.known) == ("no channel", (), 0)
