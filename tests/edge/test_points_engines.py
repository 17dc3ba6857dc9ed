"""Route points: one process, streamed Parquet and Dask give the same numbers; a killed worker costs nothing."""

from __future__ import annotations

import logging
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from combust.application.heater.baseline import healthy_stage
from combust.data.errors import CombustError
from combust.domain.site import Site
from combust.edge.tables import dask_workers, points
from combust.edge.tables.fleet import plan_fleet, sum_routes
from combust.edge.tables.plan_files import write_plan_files
from combust.kernel.altitude import LambdaAtSite, lambda_from_surface
from tests.application.fleet import worked
from tests.long import LONG

pytestmark = pytest.mark.independent
BASE = healthy_stage("diesel_b7", air_ratio=1.6, air_ratio_u=0.02, reference=Site(0.0, None, 20.0))
ROWS = 60_000
HOW = dask_workers.LOCAL


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> tuple[pd.DataFrame, Path]:
    random = np.random.default_rng(4)
    frame = pd.DataFrame(
        {
            "route_id": random.choice(["r1", "r2", "r3"], size=ROWS),
            "altitude_m": random.uniform(150, 4300, ROWS),
            "minutes": random.uniform(0.1, 3.0, ROWS),
            "temp_c": np.where(random.random(ROWS) < 0.1, np.nan, random.uniform(-35, 20, ROWS)),
        }
    )
    path = tmp_path_factory.mktemp("points") / "points.parquet"
    frame.to_parquet(path, index=False, row_group_size=5000)
    return frame, path


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two worker processes of Dask, with a nanny each that starts a new one for one that ended."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, **HOW) as started:
        yield started


def derated(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the kernel's numbers of a whole frame at once."""
    columns = {key: frame[key].to_numpy(dtype=float) for key in ("altitude_m", "temp_c")}
    return frame.assign(**dict(zip(LambdaAtSite._fields, lambda_from_surface(BASE.surface, **columns), strict=True)))


def assert_same(ours: pd.DataFrame, expected: pd.DataFrame) -> None:
    for column in LambdaAtSite._fields:
        np.testing.assert_allclose(ours[column], expected[column], rtol=1e-12, atol=0.0)


def test_streamed_equals_one_process(table: tuple[pd.DataFrame, Path], tmp_path: Path) -> None:
    frame, path = table
    expected = derated(frame)
    counts = points.derate_points(path, tmp_path / "out.parquet", BASE.surface)
    assert (counts.rows, counts.without) == (ROWS, int(frame["temp_c"].isna().sum()))
    assert counts.with_lambda == counts.rows - counts.without
    out = pd.read_parquet(tmp_path / "out.parquet")
    assert_same(out, expected)
    pd.testing.assert_frame_equal(out[list(frame.columns)], frame)
    assert list(tmp_path.iterdir()) == [tmp_path / "out.parquet"]


def test_dask_with_two_workers_equals_one_process(
    table: tuple[pd.DataFrame, Path], cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And gives the same bytes another time, on other workers."""
    frame, path = table
    monkeypatch.setattr(dask_workers, "BLOCK_ROWS", 5000)
    counts = points.derate_points(path, tmp_path / "out", BASE.surface, workers=2)
    assert counts.rows == ROWS
    parts = sorted((tmp_path / "out").iterdir())
    assert len(parts) == ROWS // 5000
    assert_same(pd.concat([pd.read_parquet(part) for part in parts], ignore_index=True), derated(frame))
    points.derate_points(path, tmp_path / "again", BASE.surface, scheduler=cluster.scheduler_address)
    assert [(tmp_path / "again" / one.name).read_bytes() for one in parts] == [one.read_bytes() for one in parts]


def test_a_killed_worker_costs_nothing(cluster: Any, tmp_path: Path) -> None:
    """The process of one worker is ended while tasks wait; every file is there and right all the same."""
    from distributed import Client

    random = np.random.default_rng(8)
    frame = pd.DataFrame({"altitude_m": random.uniform(150, 4300, 400_000), "temp_c": random.uniform(-35, 20, 400_000)})
    folder = tmp_path / "in"
    folder.mkdir()
    for number in range(40):
        frame.iloc[number * 10_000 : (number + 1) * 10_000].to_parquet(
            folder / f"part-{number:02d}.parquet", index=False
        )
    with Client(cluster) as client:
        pids = client.run(os.getpid)
        victim = sorted(pids.values())[0]
        killed = threading.Event()

        def kill_after_first(done: int, size: int) -> None:
            if done == 3:
                os.kill(victim, signal.SIGKILL)
                with suppress(ChildProcessError, ProcessLookupError):  # its nanny may have fetched it already
                    os.waitid(os.P_PID, victim, os.WEXITED | os.WNOWAIT)
                killed.set()

        counts = points.derate_points(
            folder, tmp_path / "out", BASE.surface, scheduler=cluster.scheduler_address, progress=kill_after_first
        )
    assert killed.is_set()
    assert counts.rows == 400_000
    parts = sorted((tmp_path / "out").glob("*.parquet"))
    assert len(parts) == 40
    assert not list((tmp_path / "out").glob(".*.partial")) or all(
        str(victim) in left.name for left in (tmp_path / "out").glob(".*.partial")
    )
    out = pd.concat([pd.read_parquet(part) for part in parts], ignore_index=True)
    assert_same(out, derated(frame))


def test_a_fleet_s_routes_in_all_three_ways(
    table: tuple[pd.DataFrame, Path], cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame, path = table
    monkeypatch.setattr(dask_workers, "BLOCK_ROWS", 5000)
    cars = worked.vehicles()
    cars["route_id"] = np.resize(["r1", "r2", "r3"], len(cars))
    bad = frame.copy()
    bad.loc[[7, 30_001], "minutes"] = -1.0
    bad_path = path.with_name("bad.parquet")
    bad.to_parquet(bad_path, index=False, row_group_size=5000)
    plans = [
        plan_fleet(cars, worked.sites(), routes, heaters=worked.HEATERS, with_assignment=False, add_up=add_up)
        for routes, add_up in (
            (bad, sum_routes),
            (bad_path, sum_routes),
            (bad_path, partial(dask_workers.sum_routes_dask, scheduler=cluster.scheduler_address)),
        )
    ]
    first = plans[0]
    assert first.rows["routes"] == {"read": ROWS, "planned": ROWS - 2, "refused": 2}
    assert first.faults["row"].tolist() == [
        9,
        30_003,
    ]  # rows 7 and 30 001 of the frame, two lines further down in a spreadsheet
    for plan in plans[1:]:
        pd.testing.assert_frame_equal(plan.routes, first.routes, check_exact=True)
        assert plan.rows == first.rows
        pd.testing.assert_frame_equal(plan.faults, first.faults)


def test_route_sums_are_the_same_bytes_when_a_worker_is_killed(cluster: Any, tmp_path: Path) -> None:
    """The process of a worker is ended while tasks wait; sums and text are those of one process, bit for bit.

    Besides, the minutes are those of numpy on the whole column.
    """
    from distributed import Client

    random = np.random.default_rng(6)
    frame = pd.DataFrame(
        {
            "route_id": np.repeat(["r1", "r2"], 100_000),
            "altitude_m": random.uniform(150, 4300, 200_000),
            "minutes": random.uniform(0.1, 3.0, 200_000).round(3),
            "temp_c": random.uniform(-35, 20, 200_000),
        }
    )
    (tmp_path / "in").mkdir()
    for number in range(20):
        part = frame.iloc[number * 10_000 : (number + 1) * 10_000]
        part.to_parquet(tmp_path / "in" / f"part-{number:02d}.parquet", index=False)
    cars = worked.vehicles()
    cars["route_id"] = np.resize(["r1", "r2"], len(cars))
    written = {}
    with Client(cluster) as client:
        victim = sorted(client.run(os.getpid).values())[-1]

        def kill_after_first(done: int, size: int) -> None:
            if done == 3:
                os.kill(victim, signal.SIGKILL)
                with suppress(ChildProcessError, ProcessLookupError):  # its nanny may have fetched it already
                    os.waitid(os.P_PID, victim, os.WEXITED | os.WNOWAIT)

        killed = partial(dask_workers.sum_routes_dask, scheduler=cluster.scheduler_address, progress=kill_after_first)
        for name, add_up in (("one", sum_routes), ("killed", killed)):
            plan = plan_fleet(
                cars, worked.sites(), tmp_path / "in", heaters=worked.HEATERS, with_assignment=False, add_up=add_up
            )
            write_plan_files(plan, tmp_path / name)
            written[name] = {path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}
    with pytest.raises(ProcessLookupError):
        os.kill(victim, 0)
    assert written["killed"] == written["one"]
    minutes = frame.groupby("route_id")["minutes"].sum()
    assert plan.routes["minutes"].to_numpy() == pytest.approx(minutes[plan.routes["route_id"]].to_numpy(), abs=1e-3)


@pytest.mark.hand
def test_units_by_heading_and_refusals(tmp_path: Path) -> None:
    frame = pd.DataFrame({"altitude_ft": [0.0, 6561.679790026247, 40000.0], "intake_temp_f": [68.0, 32.0, 32.0]})
    frame.to_parquet(tmp_path / "feet.parquet", index=False)
    counts = points.derate_points(tmp_path / "feet.parquet", tmp_path / "out.parquet", BASE.surface)
    assert (counts.with_lambda, counts.without) == (2, 1)
    out = pd.read_parquet(tmp_path / "out.parquet")
    # 2000 m, 0 °C: sigma 0.842 (trade table), lambda 1.35
    assert out["dry_air_density_ratio"].iloc[1] == pytest.approx(0.842, abs=5e-4)
    with pytest.raises(CombustError, match="no Parquet file"):
        points.derate_points(tmp_path / "none.parquet", tmp_path / "x.parquet", BASE.surface)
    for name in ("pt.out.csv", "pt.PARQUET", "pt.csv"):
        with pytest.raises(CombustError, match=r"ends in no \.parquet"):
            points.derate_points(tmp_path / "feet.parquet", tmp_path / name, BASE.surface)
        assert not (tmp_path / name).exists()
    frame[["altitude_ft"]].to_parquet(tmp_path / "bare.parquet", index=False)
    with pytest.raises(CombustError, match="lacks a column"):
        points.derate_points(tmp_path / "bare.parquet", tmp_path / "x.parquet", BASE.surface)
    (tmp_path / "junk.parquet").write_bytes(b"PAR1 nothing of the kind")
    with pytest.raises(CombustError, match="no readable Parquet"):
        points.derate_points(tmp_path / "junk.parquet", tmp_path / "x.parquet", BASE.surface)
    assert not (tmp_path / "x.parquet").exists()
    with pytest.raises(CombustError, match="does not answer"), dask_workers.dask_client("tcp://127.0.0.1:9", 1):
        pass


@pytest.mark.hand
def test_memory_stays_a_few_blocks(tmp_path: Path) -> None:
    """Arrow never holds more than five blocks of seven columns (147 MB), where the whole result has 224 MB."""
    import pyarrow as pa

    rows = 4_000_000
    random = np.random.default_rng(1)
    path = tmp_path / "long.parquet"
    columns = {"altitude_m": random.uniform(150, 4300, rows), "temp_c": random.uniform(-35, 20, rows)}
    pq.write_table(pa.table(columns), path, row_group_size=200_000)
    low = pa.total_allocated_bytes()
    seen: list[int] = []

    def watch(_done: int, _size: int) -> None:
        seen.append(pa.total_allocated_bytes())

    counts = points.derate_points(path, tmp_path / "out.parquet", BASE.surface, progress=watch)
    assert counts.with_lambda == rows
    assert max(seen) - low < 5 * dask_workers.BLOCK_ROWS * 7 * 8 < rows * 7 * 8


@pytest.fixture
def lonely(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """One worker process whose nanny starts no other one; the patience of the command is a second."""
    from distributed import LocalCluster

    monkeypatch.setattr(dask_workers, "PATIENCE_S", 1.0)
    monkeypatch.setattr(dask_workers, "LOOK_S", 0.2)
    with LocalCluster(n_workers=1, silence_logs=logging.CRITICAL, **HOW) as started:
        for nanny in started.workers.values():
            nanny.auto_restart = False
        yield started


@pytest.mark.regression
@pytest.mark.parametrize("lost", ["workers", *(["scheduler"] if LONG else [])])
def test_what_is_lost_for_good_while_a_table_is_worked_ends_in_words(
    lost: str, lonely: Any, table: tuple[pd.DataFrame, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every worker is killed by its process id, or the scheduler goes, after the first result; nobody comes back."""
    monkeypatch.setattr(dask_workers, "BLOCK_ROWS", 5000)

    def lose(done: int, size: int) -> None:
        if lost == "scheduler":
            lonely.close()
        for nanny in lonely.workers.values():
            os.kill(nanny.pid, signal.SIGKILL)

    with pytest.raises(CombustError, match="lost while they worked") as told:
        points.derate_points(
            table[1], tmp_path / "out", BASE.surface, scheduler=lonely.scheduler_address, progress=lose
        )
    assert "without --workers" in str(told.value)
    assert told.value.code == "busy"
    assert len([*(tmp_path / "out").glob("*.parquet")]) < ROWS // 5000


@pytest.mark.regression
def test_a_scheduler_to_which_no_worker_comes_is_told_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import LocalCluster

    monkeypatch.setattr(dask_workers, "PATIENCE_S", 0.2)
    with LocalCluster(n_workers=0, silence_logs=logging.CRITICAL, **HOW) as empty, pytest.raises(CombustError) as told:
        next(dask_workers.spread(max, [(1,)], (2,), empty.scheduler_address, None, None))
    assert "none came" in str(told.value)


@pytest.mark.regression
def test_workers_that_are_all_lost_are_told_in_words() -> None:
    """What Dask raises when a task has killed each worker that tried it, and when its scheduler is gone."""
    from distributed.client import FutureCancelledError
    from distributed.scheduler import KilledWorker

    class Lost:
        def __init__(self, error: Exception) -> None:
            self.error = error

        def result(self) -> None:
            raise self.error

    last: Any = SimpleNamespace(address="tcp://127.0.0.1:1")
    for error in (KilledWorker("sum", last, 3), FutureCancelledError("sum", "scheduler lost")):
        with pytest.raises(CombustError, match=r"^workers were lost while they worked") as told:
            dask_workers.result_of(Lost(error))
        assert "without --workers" in str(told.value)
