"""Other engines that hold items: the one place where they differ from one another.

`elsewhere.py` asks all of them the same plain SQL. An engine says how a frame becomes a table,
how a query's result becomes an Arrow table, and what makes its dialect read double quotes as names
and keep times in UTC.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

# Double quotes are names, single quotes within text are doubled, a backslash is a backslash.
_SPARK = {
    "spark.sql.ansi.enabled": "true",
    "spark.sql.ansi.doubleQuotedIdentifiers": "true",
    "spark.sql.parser.escapedStringLiterals": "true",
    "spark.sql.session.timeZone": "UTC",
}


class Engine(Protocol):
    """An engine with a table of items."""

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a table by a frame: text, int32 and float32 columns, ±inf, no blanks."""

    def arrow(self, query: str) -> pa.Table:
        """Return the result of a query."""


class SparkEngine:
    """Tables and views of a Spark session; ``pip install 'optimiser[spark]'``.

    Parameters
    ----------
    session : pyspark.sql.SparkSession
        Its settings are as they were after each query.
    """

    def __init__(self, session: Any) -> None:  # noqa: ANN401 - Spark is an extra
        self._session = session

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a temporary view by a frame."""
        kinds = {"int32": "int", "float32": "float"}
        schema = ", ".join(f"{c} {kinds.get(str(t), 'string')}" for c, t in frame.dtypes.items())
        rows = [tuple(row) for row in frame.astype(object).itertuples(index=False)]
        self._session.createDataFrame(rows, schema).createOrReplaceTempView(table)

    def arrow(self, query: str) -> pa.Table:
        """Return the result of a query."""
        with self._settings():
            return self._session.sql(query).toArrow()

    @contextmanager
    def _settings(self) -> Iterator[None]:
        conf = self._session.conf
        before = {name: conf.get(name, None) for name in _SPARK}
        for name, value in _SPARK.items():
            conf.set(name, value)
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    conf.unset(name)
                else:
                    conf.set(name, value)


class DataFusionEngine:
    """Tables of a DataFusion session context.

    Parameters
    ----------
    context : datafusion.SessionContext
    """

    def __init__(self, context: Any) -> None:  # noqa: ANN401 - DataFusion is an extra
        self._context = context

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a table by a frame."""
        import pyarrow as pa

        self._context.deregister_table(table)
        batches = pa.Table.from_pandas(frame, preserve_index=False).to_batches()
        self._context.register_record_batches(table, [batches])

    def arrow(self, query: str) -> pa.Table:
        """Return the result of a query."""
        return self._context.sql(query).to_arrow_table()
