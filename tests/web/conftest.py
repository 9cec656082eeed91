"""The cellar and its visitors, ready to be used."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from starlette.applications import Starlette

from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR
from monitor.web.app import create_app
from monitor.web.options import WebSettings

from .rooms import PITCHED_MS, Cellar, Visit, a_sheet, readings_of


@pytest.fixture
def cellar() -> Iterator[Cellar]:
    """An empty cellar."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        yield Cellar(store)


@pytest.fixture
def busy(cellar: Cellar) -> Cellar:
    """A cellar with one ferment on its fourth day and one that has just been pitched."""
    first = a_sheet()
    cellar.now_ms = PITCHED_MS + 4 * MS_PER_DAY
    cellar.add(first, readings_of(first, 4.0))
    second = a_sheet("plum-batch", pitched_ms=cellar.now_ms - 6 * MS_PER_HOUR, recipe="")
    cellar.add(second, readings_of(second, 0.25, seed=2))
    return cellar


@pytest.fixture
def app(busy: Cellar) -> Starlette:
    """The page of the busy cellar, without sign-in."""
    return create_app(busy.ports(), WebSettings(time_zone="Europe/Dublin"))


@pytest.fixture
def visit(app: Starlette) -> Iterator[Visit]:
    """A visitor of the busy cellar."""
    visitor = Visit(app)
    yield visitor
    visitor.close()


@pytest.fixture
def visiting() -> Iterator[Callable[..., Visit]]:
    """Makes visitors of an application, and sees them off."""
    made: list[Visit] = []

    def make(app: Starlette, **options: object) -> Visit:
        made.append(Visit(app, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()
