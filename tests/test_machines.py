"""Work spread over processes and over a Dask cluster; a worker that dies costs its job only."""

import os
import shutil

import pytest
from factories import LOTS, make_plant, table
from test_digest import assert_same, digests, folders, in_files, stored, whole

from optimiser.errors import PlantError, UsageError
from optimiser.machines import Lost, spread
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.tally import digested
from optimiser.tally.digested import close_store, open_store, open_stored


def square(n: int) -> int:
    return n * n


def square_or_die(n: int) -> int:
    if n == 3:
        os._exit(9)
    return n * n


def digest_or_die(part):
    if part.unit.files[0].name == "02.parquet":
        os._exit(9)
    return digested.digest_part(part)


def night(folder, *, workers=1):
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    store = open_store(plant, live, folder / "night", workers=workers, tell=lambda *_, **__: None)
    open_stored(store, lambda _: None).close()
    close_store(store)
    return store


def test_every_job_is_answered_here_and_in_processes():
    expected = {n: n * n for n in range(7)}
    assert dict(spread(square, range(7), workers=1)) == expected
    assert dict(spread(square, range(7), workers=2)) == expected


def test_a_worker_that_dies_costs_its_job_only():
    found = dict(spread(square_or_die, range(7), workers=2))
    assert isinstance(found.pop(3), Lost)
    assert found == {n: n * n for n in range(7) if n != 3}


def test_digests_of_processes_are_those_made_here(tmp_path, monkeypatch):
    one = make_plant(tmp_path / "one", write=in_files(None, LOTS))
    other = shutil.copytree(one, tmp_path / "other", copy_function=shutil.copy2)
    assert night(one).made == night(other, workers=2).made == LOTS
    assert digests(one) == digests(other)
    assert_same(whole(other), stored(other))


def test_a_lost_worker_names_its_file_and_the_next_night_does_it(tmp_path, monkeypatch):
    folder = make_plant(tmp_path / "plant", write=in_files(None, LOTS))
    with monkeypatch.context() as patch:
        patch.setattr(digested, "spread", lambda _, parts, **k: spread(digest_or_die, parts, **k))
        store = night(folder, workers=2)
    assert list(store.problems) == [str(folder / "history" / "02.parquet")]
    assert "worker died" in store.problems[str(folder / "history" / "02.parquet")]
    assert store.made == LOTS - 1
    assert folders(folder) == ([], LOTS - 1)
    found = stored(folder)
    assert found.made == 1
    assert_same(whole(folder), found)


@pytest.mark.parametrize("address", ["host:8786", "tcp://host", "http://host:80", "tcp://a b:1"])
def test_an_address_that_is_none_is_refused(tmp_path, address):
    folder = make_plant(tmp_path / "plant", toml=table(machines={"scheduler": address}))
    with pytest.raises(PlantError, match=r"machines\.scheduler"):
        read_plant(folder)


def test_who_computes_is_no_ground_of_a_proposal(tmp_path):
    here = read_plant(make_plant(tmp_path / "here"))
    there = read_plant(
        make_plant(tmp_path / "there", toml=table(machines={"scheduler": "tcp://host:8786"}))
    )
    assert here.file.ground() == there.file.ground()


def test_a_scheduler_that_does_not_answer_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("optimiser.machines.SECONDS_TO_ANSWER", 0.5)
    folder = make_plant(
        tmp_path / "plant",
        write=in_files(None, LOTS),
        toml=table(machines={"scheduler": "tcp://127.0.0.1:9"}),
    )
    with pytest.raises(UsageError, match=r"nothing answers at .tcp://127\.0\.0\.1:9"):
        night(folder)


@pytest.mark.slow
@pytest.mark.ci
@pytest.mark.filterwarnings("default")
def test_digests_of_a_cluster_are_those_made_here(tmp_path, monkeypatch):
    from distributed import LocalCluster

    one = make_plant(tmp_path / "one", write=in_files(None, LOTS))
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        toml = table(machines={"scheduler": cluster.scheduler_address})
        other = make_plant(tmp_path / "other", write=in_files(None, LOTS), toml=toml)
        assert night(one).made == night(other).made == LOTS
        assert digests(one) == digests(other)
        shutil.rmtree(other / "night")
        monkeypatch.setattr(
            digested,
            "spread",
            lambda _, parts, **k: spread(digest_or_die, parts, **k),
        )
        store = night(other)
    assert list(store.problems) == [str(other / "history" / "02.parquet")]
    assert store.made == LOTS - 1
