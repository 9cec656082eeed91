"""A cellar for the page: a real store in memory, real pipelines, and a clock that stands still."""

from __future__ import annotations

import asyncio
import html
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import httpx
import numpy as np
from starlette.applications import Starlette

from monitor.batch.sheet import Sheet, Vessel
from monitor.ferment.emission import AlertChange, Emission, PhaseChange
from monitor.ferment.event import Event, Reading, Tick
from monitor.ferment.pipeline import Pipeline, Snapshot
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity
from monitor.web.ports import Ports, TriedNotice
from monitor.web.stream import Broadcast

PITCHED_MS = 1_772_000_000_000  # 2026-02-25T06:13:20Z


@lru_cache(maxsize=64)
def judged(sheet: Sheet, events: tuple[Event, ...], now_ms: int) -> tuple[Snapshot, tuple[Emission, ...]]:
    """What the pipeline says of these events; many tests begin with the same ones."""
    pipeline = Pipeline(sheet.premise())
    said: list[Emission] = []
    for event in (*events, Tick(now_ms + 1)):
        said += pipeline.step(event)
    return pipeline.snapshot, tuple(said)


@dataclass
class Cellar:
    """What the daemon is for the page: watches batches, tells what changed. Time moves when it is told to."""

    store: SqlStore
    now_ms: int = PITCHED_MS
    broadcast: Broadcast = field(default_factory=Broadcast)
    changes: list[str] = field(default_factory=list)
    tests: list[TriedNotice] = field(default_factory=list)
    _snapshots: dict[str, Snapshot] = field(default_factory=dict)
    _phases: dict[str, list[PhaseChange]] = field(default_factory=dict)
    _told: int = 0

    def ports(self) -> Ports:
        """The page's way to this cellar."""
        return Ports(
            store=self.store,
            now_ms=lambda: self.now_ms,
            broadcast=self.broadcast,
            snapshots=self.snapshots,
            phases=self.phases,
            changed=self.changed,
            test_notice=lambda: self.tests,
        )

    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands."""
        return self._snapshots

    def show(self, slug: str, snapshot: Snapshot) -> None:
        """Let a batch stand so."""
        self._snapshots[slug] = snapshot

    def phases(self, slug: str) -> Sequence[PhaseChange]:
        """The phases of a batch so far."""
        return self._phases.get(slug, ())

    def changed(self, slug: str) -> None:
        """Judge again what an action touched."""
        self.changes.append(slug)
        for sheet in self.store.batches.listed(only_open=True):
            if slug in ("", sheet.slug):
                self.judge(sheet.slug)

    def judge(self, slug: str) -> None:
        """Play a batch anew, keep its alerts, and tell every open page."""
        sheet = self.store.batches.get(slug)
        snapshot, said = judged(sheet, tuple(self.store.batches.events(slug)), self.now_ms)
        for emission in said:
            if isinstance(emission, AlertChange):
                self.store.alerts.record(slug, emission, now_ms=self.now_ms)
        self._snapshots[slug] = snapshot
        self._phases[slug] = [one for one in said if isinstance(one, PhaseChange)]
        self._told += 1
        self.broadcast.publish("batch", str(self._told), {"batch": slug})

    def add(self, sheet: Sheet, readings: Sequence[Reading]) -> None:
        """Start a batch with its readings so far."""
        self.store.batches.start(sheet, at_ms=sheet.pitched_ms)
        self.store.readings.commit(readings)
        self.judge(sheet.slug)


def a_sheet(slug: str = "hedgerow-session", **changes: object) -> Sheet:
    """A session mead of ours."""
    values: dict[str, object] = {
        "slug": slug,
        "name": slug.replace("-", " ").capitalize(),
        "pitched_ms": PITCHED_MS,
        "must": Must(MustKind.HONEY, original_gravity_sg=1.050, volume_l=18.0),
        "yeast": Yeast(temperature_c=(15.0, 24.0), alcohol_tolerance_abv=12.0),
        "vessel": Vessel(capacity_l=20.0),
        "gravity_sensor": f"float-{slug}",
        "temperature_sensor": f"float-{slug}",
        "recipe": "2.5 kg of lime blossom honey to 18 L",
    }
    return Sheet(**{**values, **changes})  # type: ignore[arg-type]


def readings_of(
    sheet: Sheet,
    days: float,
    *,
    every_min: float = 30.0,
    final_sg: float = 0.998,
    time_constant_days: float = 2.2,
    temperature_c: float = 19.0,
    seed: int = 1,
) -> list[Reading]:
    """A smooth fall after half a day of rest, with a float's noise; battery and signal once a day."""
    rng = np.random.default_rng(seed)
    sensor = sheet.gravity_sensor or "float"
    original = sheet.must.original_gravity_sg or 1.050
    found: list[Reading] = []
    for step in range(int(days * 24 * 60 / every_min) + 1):
        at_ms = sheet.pitched_ms + round(step * every_min * MS_PER_MINUTE)
        day = (at_ms - sheet.pitched_ms) / MS_PER_DAY
        fallen = 1.0 - math.exp(-(max(0.0, day - 0.5) ** 1.3) / time_constant_days)
        gravity = original - (original - final_sg) * fallen + rng.normal(0.0, 0.0004)
        warmth = temperature_c + 0.8 * math.sin(2 * math.pi * day) + rng.normal(0.0, 0.05)
        found.append(Reading(sensor, Quantity.GRAVITY, at_ms, round(gravity, 5), at_ms))
        found.append(Reading(sensor, Quantity.TEMPERATURE, at_ms, round(warmth, 3), at_ms))
        if at_ms % MS_PER_DAY < every_min * MS_PER_MINUTE:
            found.append(Reading(sensor, Quantity.BATTERY, at_ms, max(5.0, 96.0 - day), at_ms))
            found.append(Reading(sensor, Quantity.SIGNAL, at_ms, -61.0, at_ms))
    return found


def client_of(app: Starlette, **options: object) -> httpx.AsyncClient:
    """A client that speaks to an application without a network."""
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8417", **options)  # type: ignore[arg-type]


def words_of(text: str) -> str:
    """What a page says, without its markup."""
    bare = re.sub(r"<(style|script).*?</\1>|<[^>]+>", " ", text, flags=re.S)
    return " ".join(html.unescape(bare).split())


class Visit:
    """One visitor with cookies, as a browser without script would ask."""

    def __init__(self, app: Starlette, **options: object) -> None:
        self._client = client_of(app, **options)
        self._runner = asyncio.Runner()

    def get(self, path: str, **options: Any) -> httpx.Response:
        """Ask for a page as a person."""
        headers = {"accept": "text/html", **options.pop("headers", {})}
        return self._runner.run(self._client.get(path, headers=headers, **options))

    def json(self, method: str, path: str, body: object = None, **headers: str) -> httpx.Response:
        """Ask the API as a program."""
        content = None if body is None else json.dumps(body)
        sent = {"content-type": "application/json", **headers} if body is not None else headers
        return self._runner.run(self._client.request(method, path, content=content, headers=sent))

    def raw(self, method: str, path: str, content: bytes) -> httpx.Response:
        """Send bytes as if they were JSON."""
        headers = {"content-type": "application/json"}
        return self._runner.run(self._client.request(method, path, content=content, headers=headers))

    def token(self, path: str = "/sign-in") -> str:
        """The form token of a page."""
        found = re.search(r'name="form_token" value="([0-9a-f]+)"', self.get(path).text)
        assert found is not None, f"no form on {path}"
        return found[1]

    def post(
        self, path: str, fields: Mapping[str, object], *, token: str | None = None, **headers: str
    ) -> httpx.Response:
        """Send a form with the token of a page that was loaded before."""
        sent = {"form_token": self.token("/setup") if token is None else token, **fields}
        return self._runner.run(
            self._client.post(path, data=sent, headers={"accept": "text/html", **headers})
        )

    def close(self) -> None:
        """Let go of the event loop."""
        self._runner.run(self._client.aclose())
        self._runner.close()
