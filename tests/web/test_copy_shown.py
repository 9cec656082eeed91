"""How far the copy on a history server has come, on the setup page."""

from __future__ import annotations

import re
from dataclasses import replace

from monitor.store.values import Feed, SetAside
from monitor.units import MS_PER_MINUTE
from monitor.web.app import create_app
from monitor.web.options import WebSettings

TARGET = "http://127.0.0.1:8086 cellar/carboyd"


def shown(busy, visiting) -> str:
    """The words of that part of the page; empty where there is none."""
    app = create_app(replace(busy.ports(), forwards_to=TARGET), WebSettings(time_zone="Etc/UTC"))
    page = visiting(app).get("/setup").text
    found = re.search(r'<div id="copy" data-live>(.*?)</div>', page, re.DOTALL)
    assert found is not None
    return " ".join(re.sub(r"<[^>]*>", "", found[1]).split())


def everything(busy):
    """What happened to alerts, and all readings."""
    return busy.store.chronicle.alerts_after(0, 1_000), busy.store.readings.after(0, 1_000_000)


def test_without_a_server_the_page_says_nothing_of_it(visit):
    """Most have none."""
    assert "history server" not in visit.get("/setup").text


def test_what_waits_is_told_with_its_age(busy, visiting):
    """Before anything was accepted, and while a part waits."""
    steps, total = (len(one) for one in everything(busy))
    assert shown(busy, visiting).startswith(f"{steps + total} wait to be sent, the oldest came ")
    assert "nothing accepted yet" in shown(busy, visiting)
    upto = {Feed.READINGS: total - 1, Feed.ALERTS: steps}
    busy.store.forwarding.accepted(TARGET, upto, at_ms=busy.now_ms - 3 * MS_PER_MINUTE)
    assert shown(busy, visiting).startswith("1 waits to be sent")
    assert "last accepted 3 minutes ago" in shown(busy, visiting)


def test_a_trouble_and_refused_lines_are_told(busy, visiting):
    """With the reason, escaped as everything is, and the command that shows more."""
    aside = SetAside(Feed.READINGS, 1, "reading ...", "400 bad", busy.now_ms)
    steps, total = (len(one) for one in everything(busy))
    upto = {Feed.READINGS: total, Feed.ALERTS: steps}
    busy.store.forwarding.accepted(TARGET, upto, [aside], at_ms=busy.now_ms)
    busy.store.forwarding.failed(TARGET, "503 <b>away</b>", at_ms=busy.now_ms)
    words = shown(busy, visiting)
    assert words.startswith("Everything has been sent")
    assert "503 &lt;b&gt;away&lt;/b&gt;" in words
    assert "1 line was refused by the server; carboyd forward --refused shows why." in words
