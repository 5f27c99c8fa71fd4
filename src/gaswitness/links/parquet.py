"""Recorded logs in Parquet, where pyarrow is installed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.links.cells import EARLIEST_US, LATEST_US, NO_READING, Cells
from gaswitness.links.columns import Column
from gaswitness.sentence import said

MAGIC = b"PAR1"
_SAMPLE_ROWS = 200


class ParquetBlock:
    """Rows of a Parquet log, with the same face as a block of text."""

    def __init__(self, batch: Any, first_row: int, source: str) -> None:
        self._batch = batch
        self._first_row = first_row
        self._source = source

    def __len__(self) -> int:
        return int(self._batch.num_rows)

    def where(self, row: int, column: int | None = None) -> str:
        """Words for a message: file, row, column."""
        at = said("{source}, row {row}", source=self._source, row=str(self._first_row + row))
        if column is None:
            return at
        return said("{source}, column {name}", source=at, name=repr(self._batch.schema.names[column]))

    def numbers(self, column: int) -> NDArray[np.float64]:
        """A column of numbers, NaN where missing."""
        import pyarrow as pa

        try:
            values = self._batch.column(column).cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError, ValueError) as error:
            raise InputError(
                said("not readings"), where=self.where(0, column), found=str(error), expected=said("numbers")
            ) from None
        values = np.asarray(values, np.float64)
        beyond = np.abs(values) >= NO_READING
        if beyond.any():
            row = int(beyond.argmax())
            raise InputError(
                said("not a reading"),
                where=self.where(row, column),
                found=float(values[row]),
                expected=said("a finite number"),
            )
        return values

    def instants(self, column: int) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
        """A column of instants: microseconds since 1970, and zeros (UTC) where the column has a time zone."""
        import pyarrow as pa

        array = self._batch.column(column)
        if array.null_count:
            row = int(np.asarray(array.is_null()).argmax())
            raise InputError(said("no time"), where=self.where(row, column), expected=said("an instant in every row"))
        if pa.types.is_string(array.type) or pa.types.is_large_string(array.type):
            from gaswitness.links.cells import BadCell, instants

            try:
                return instants(np.array([text.encode() for text in array.to_pylist()], np.bytes_))
            except BadCell as bad:
                raise InputError(said("not an instant"), where=self.where(bad.row, column), found=bad.found) from None
        zoned = getattr(array.type, "tz", None) is not None
        cast = array.cast(pa.timestamp("us", tz=getattr(array.type, "tz", None)), safe=False)
        us: NDArray[np.int64] = cast.cast(pa.int64()).to_numpy(zero_copy_only=False)
        beyond = (us < EARLIEST_US) | (us >= LATEST_US)
        if beyond.any():
            raise InputError(
                said("not an instant"),
                where=self.where(int(beyond.argmax()), column),
                expected=said("the years 1900 to 2199"),
            )
        return us, np.zeros(len(self), np.int64) if zoned else None

    def cells(self, column: int) -> Cells:
        """A column of names as byte strings."""
        return np.array(
            [("" if x is None else str(x)).encode() for x in self._batch.column(column).to_pylist()], np.bytes_
        )


class ParquetTable:
    """A recorded log in Parquet."""

    torn = False

    def __init__(self, path: Path) -> None:
        self.source = str(path)
        try:
            import pyarrow.parquet as pq
        except ImportError:
            raise InputError(
                said("a Parquet file, and pyarrow is not installed"),
                where=self.source,
                hint=said("install it: {command}; or save the log as CSV", command="pip install 'gaswitness[parquet]'"),
            ) from None
        import pyarrow as pa

        try:
            self._file: Any = pq.ParquetFile(path)
            head = next(self._file.iter_batches(_SAMPLE_ROWS), None)
        except (pa.ArrowException, OSError, ValueError) as error:
            raise InputError(said("a Parquet file that cannot be read"), where=self.source, found=str(error)) from None
        if head is None or head.num_rows == 0:
            raise InputError(said("no rows of readings"), where=self.source, expected=said("at least one row"))
        self.columns = [_column(head.schema.field(i), head.column(i)) for i in range(head.num_columns)]

    def blocks(self) -> Iterator[ParquetBlock]:
        """The rows, some ten thousand at a time."""
        import pyarrow as pa

        row = 1
        try:
            for batch in self._file.iter_batches():
                yield ParquetBlock(batch, row, self.source)
                row += batch.num_rows
        except (pa.ArrowException, OSError) as error:
            raise InputError(said("a Parquet file that cannot be read"), where=self.source, found=str(error)) from None


def _column(field: Any, array: Any) -> Column:
    import pyarrow as pa

    from gaswitness.links.columns import column_of

    name = "" if field.name.startswith("__index_level_") and not pa.types.is_temporal(field.type) else field.name
    if pa.types.is_timestamp(field.type):
        return Column(name, "instant", ())
    if pa.types.is_integer(field.type) or pa.types.is_floating(field.type) or pa.types.is_decimal(field.type):
        return Column(name, "number", tuple("" if x is None else str(x) for x in array.to_pylist()))
    return column_of(name, tuple("" if x is None else str(x) for x in array.to_pylist()))
