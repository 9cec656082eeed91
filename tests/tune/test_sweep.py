"""A sweep fits nothing, and gives the same to the last bit wherever it is computed."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path
from types import FrameType

import numpy as np
import pytest

from monitor.errors import CarboydError
from monitor.ferment.evidence import FitSettings
from monitor.ferment.pipeline import Analysis
from monitor.tune.board import Board
from monitor.tune.cores import Cores, OneCore
from monitor.tune.ladders import Design, ladders, random
from monitor.tune.reckoning import Prices
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, disagreeing, record_of, seen_of, swept, taken_in

from .conftest import PLOTS

PRICES = Prices()


@pytest.fixture(scope="module")
def design() -> Design:
    """Three hundred settings."""
    return random(Analysis(), ladders(Analysis()), 300, 2)


@pytest.fixture(scope="module")
def alone(records: list[Record], shelf: Shelf, design: Design) -> Board:
    """What one core makes of them."""
    return swept(records, shelf, design.sets, PRICES, OneCore())


def same(a: Board, b: Board) -> bool:
    """To the last bit."""
    return all(
        getattr(a, one.name) == getattr(b, one.name)
        if one.name == "names"
        else getattr(a, one.name).tobytes() == getattr(b, one.name).tobytes()
        for one in fields(Board)
    )


@contextmanager
def counting() -> Iterator[Counter[str]]:
    """Counts the calls of every function of the analysis, by the module that has it."""
    calls: Counter[str] = Counter()

    def count(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and "/ferment/" in frame.f_code.co_filename:
            calls[Path(frame.f_code.co_filename).stem] += 1

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        yield calls
    finally:
        sys.setprofile(before)


def test_a_sweep_fits_nothing(
    records: list[Record], archive: Path, shelf: Shelf, tmp_path: Path, design: Design
) -> None:
    """Of the analysis it calls the verdict and the score, and nothing that measures; measuring does."""
    with counting() as calls:
        swept(records, shelf, design.sets, PRICES, OneCore())
    assert calls["verdict"] > 0
    assert set(calls) <= {"verdict", "score", "evidence", "event", "hearing", "emission", "premise", "alert"}
    with counting() as measuring:
        list(taken_in([archive / "gone-quiet"], Shelf(tmp_path), FitSettings(), OneCore()))
    assert measuring["gauge"] > 100
    assert measuring["tail"] > 100
    with counting() as again:
        list(taken_in([archive / "gone-quiet"], Shelf(tmp_path), FitSettings(), OneCore()))
    assert again["gauge"] == again["tail"] == 0


def test_other_cores_give_the_same_bits(
    records: list[Record], shelf: Shelf, design: Design, alone: Board
) -> None:
    """Two processes started afresh; told of every recording that is done."""
    done: list[int] = []
    with Cores(2) as two:
        assert same(swept(records, shelf, design.sets, PRICES, two, done.append), alone)
        assert disagreeing(records[:2], shelf, design.sets[5], two) == []
    assert sum(done) == len(records)


def test_a_cluster_gives_the_same_bits(
    records: list[Record], archive: Path, shelf: Shelf, design: Design, alone: Board
) -> None:
    """A Dask scheduler with one worker of its own process; recordings are taken in there too."""
    distributed = pytest.importorskip("distributed")
    from monitor.tune.cores import Cluster

    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as workers,
        Cluster(workers.scheduler_address) as cluster,
    ):
        assert cluster.count == 1
        taken = list(taken_in([archive / plot.name for plot in PLOTS], shelf, FitSettings(), cluster))
        assert [record_of(one) for one in taken] == records
        assert same(swept(records, shelf, design.sets, PRICES, cluster), alone)


def test_a_setting_is_marked_alike_in_any_company(
    records: list[Record], shelf: Shelf, design: Design, alone: Board
) -> None:
    """Fifty of the settings by themselves have the marks that they have among all."""
    some = replace(design, rungs=design.rungs[40:90])
    few = swept(records, shelf, some.sets, PRICES, OneCore())
    assert few.cost_h.tobytes() == np.ascontiguousarray(alone.cost_h[40:90]).tobytes()


def test_faulty_recordings_do_not_stop_the_rest(archive: Path, shelf: Shelf, tmp_path: Path) -> None:
    """Each has its word, the others are taken in; from other processes too."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "rubbish").mkdir()
    (tmp_path / "rubbish" / "batch.toml").write_bytes(b"\xff\xfe")
    (tmp_path / "rubbish" / "readings.csv").write_bytes(b"\x00")
    folders = [tmp_path / "empty", archive / "brisk", tmp_path / "rubbish", archive / "steady"]
    with Cores(2) as two:
        taken = list(taken_in(folders, shelf, FitSettings(), two))
    assert [one.name for one in taken] == ["empty", "brisk", "rubbish", "steady"]
    assert [bool(one.refusal) for one in taken] == [True, False, True, False]


def test_evidence_that_is_gone_is_said_so(records: list[Record], tmp_path: Path, design: Design) -> None:
    """And no recordings at all."""
    with pytest.raises(CarboydError, match="evidence is gone"):
        seen_of(records[0], Shelf(tmp_path))
    with pytest.raises(CarboydError, match="no recording"):
        swept([], Shelf(tmp_path), design.sets, PRICES, OneCore())
