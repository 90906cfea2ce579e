"""Items in another engine: the same cells and defects as counted here, nulls, NaN and ties included."""

import datafusion
import duckdb
import numpy as np
import pytest
from factories import make_plant
from hypothesis import HealthCheck, given, settings
from test_digest import assert_same_tally
from test_tally import MEASUREMENTS, histories, write_plant

from optimiser.errors import HistoryError
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.tally.count import tally_history
from optimiser.tally.elsewhere import ItemsElsewhere, tally_elsewhere
from optimiser.tally.engines import DataFusionEngine, SparkEngine
from optimiser.tally.grid import make_grids

COLUMNS = (
    *("time", "stage", "product", "board", "lot", "designator", "pin", "part", "family"),
    *(*MEASUREMENTS, "verdict", "defect", "found_by", "weight"),
)


def items_of(history, *, nan: bool):
    """What the door let through, as an Arrow table; NaN stands for some of the nulls."""
    table = history.connection.sql(f"select {', '.join(COLUMNS)} from items").to_arrow_table()
    if nan:
        import pyarrow as pa

        for m in MEASUREMENTS[:2]:
            # NaN lies in the file as it would in one that another tool wrote.
            values = pa.array(table[m].to_numpy().astype(np.float32), from_pandas=False)
            table = table.set_column(table.schema.get_field_index(m), m, values)
    return table


def in_datafusion(table):
    context = datafusion.SessionContext()
    context.register_record_batches("items", [table.to_batches()])
    return DataFusionEngine(context)


def compare(folder, frame, recipe, open_engine, *, nan: bool) -> None:
    """Count here and there, and ask for one and the same."""
    write_plant(folder, frame, recipe)
    plant = read_plant(folder)
    with open_history(plant) as history:
        grids = make_grids(history, recipe)
        here = tally_history(history, grids, recipe)
        table = items_of(history, nan=nan)
    there = tally_elsewhere(ItemsElsewhere(open_engine(table), plant, "items"), grids, recipe)
    assert list(here) == list(there)
    for family, tally in here.items():
        assert_same_tally(tally, there[family])


@given(made=histories())
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_datafusion_counts_as_is_counted_here(tmp_path_factory, made):
    frame, recipe = made
    for nan in (False, True):
        compare(tmp_path_factory.mktemp("p"), frame, recipe, in_datafusion, nan=nan)


def test_families_that_nobody_named_and_items_without_a_lot_are_refused(tmp_path):
    plant = read_plant(make_plant(tmp_path))
    con = duckdb.connect()
    con.execute(f"create table items as from '{tmp_path}/history/items.parquet'")
    odd = con.sql("select * replace ('H' as family) from items").to_arrow_table()
    with pytest.raises(HistoryError, match="family 'H' is not in plant"):
        ItemsElsewhere(in_datafusion(odd), plant, "items")
    bare = con.sql("select * replace (null::varchar as lot) from items").to_arrow_table()
    with pytest.raises(HistoryError, match="have no lot"):
        ItemsElsewhere(in_datafusion(bare), plant, "items")


@pytest.fixture(scope="module")
def spark(tmp_path_factory):
    from pyspark.sql import SparkSession

    session = (
        SparkSession.builder.master("local[2]")
        .appName("optimiser-tests")
        .config("spark.ui.enabled", "false")
        .config("spark.sql.shuffle.partitions", "2")
        .config("spark.sql.warehouse.dir", str(tmp_path_factory.mktemp("warehouse")))
        .getOrCreate()
    )
    yield session
    session.stop()


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_spark_counts_as_is_counted_here(tmp_path_factory, spark):
    """A made-up history with overrides, nulls, NaN and items that lie exactly at their limits."""
    import pyarrow.parquet as pq

    place = tmp_path_factory.mktemp("spark")
    ran = []

    def in_spark(table):
        path = place / f"{len(ran)}.parquet"
        pq.write_table(table, path)
        spark.read.parquet(str(path)).createOrReplaceTempView("items")
        ran.append(path)
        return SparkEngine(spark)

    before = spark.conf.get("spark.sql.ansi.doubleQuotedIdentifiers")

    @given(made=histories())
    @settings(max_examples=2, deadline=None, database=None)
    def check(made):
        for nan in (False, True):
            compare(tmp_path_factory.mktemp("p"), *made, in_spark, nan=nan)

    check()
    assert len(ran) >= 4
    assert spark.conf.get("spark.sql.ansi.doubleQuotedIdentifiers") == before
