"""Plan or check NDJSON on Spark: the same pure functions as ``fhircare bulk``, spread by an engine you have.

    pip install 'fhircare[spark]'          # needs Java 17 or newer
    python examples/spark_bulk.py plan clinic.ndjson plans/      # one delivery record a line
    python examples/spark_bulk.py check export.ndjson findings/  # one resource or bundle a line

Writes one Parquet row a line: ``line``, ``report`` (the line that ``fhircare bulk`` puts into report.ndjson)
and ``content`` (the bundle, byte for byte what ``fhircare bulk plan`` writes; null where there is none).
On a cluster use ``spark-submit``, with fhircare installed for the Python that the executors run
(``PYSPARK_PYTHON``); nothing else changes.
"""

from __future__ import annotations

import os
import sys
from pathlib import PurePath
from typing import TYPE_CHECKING

import pandas as pd
from pyspark.sql import SparkSession

from fhircare.bulk import CheckJob, PlanJob, line_item, report_line, row_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pyspark.sql import DataFrame

    from fhircare.bulk import Job

COLUMNS = "line long, report string, content binary"
JOBS = {"plan": PlanJob(), "check": CheckJob()}


def over_frames(job: Job, source: str) -> Callable[[Iterator[pd.DataFrame]], Iterator[pd.DataFrame]]:
    """Return what ``mapInPandas`` calls: frames of ``line`` and ``value`` in, frames of ``COLUMNS`` out.

    A frame is given out for each line, since a bundle is a hundred times as large as its record.
    """

    def work(frames: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
        for frame in frames:
            for number, value in zip(frame["line"], frame["value"], strict=True):
                item = line_item(source, int(number), bytes(value))
                if item is None:
                    continue
                outcome = job(item)
                report = report_line(row_of(job, item, outcome))
                yield pd.DataFrame({"line": [item.line], "report": [report], "content": [outcome.content]})

    return work


def numbered_lines(spark: SparkSession, path: str) -> DataFrame:
    r"""Return the lines of a file as bytes with their numbers, in the order of the file.

    As bytes, because Spark would mend what is not UTF-8; ended by \n alone, because Spark would end them
    at \r too.
    """
    text = spark.read.option("lineSep", "\n").text(path).selectExpr("cast(value as binary) as value")
    pairs = text.rdd.zipWithIndex().map(lambda pair: (pair[1] + 1, bytes(pair[0].value)))
    return spark.createDataFrame(pairs, "line long, value binary")


def main(verb: str, source: str, target: str) -> None:
    """Run a job over a file and write its rows."""
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    spark = (
        SparkSession.builder.appName(f"fhircare bulk {verb}")
        .config("spark.sql.execution.arrow.maxRecordsPerBatch", 100)
        .config("spark.ui.enabled", "false")
        .getOrCreate()
    )
    try:
        lines = numbered_lines(spark, source).repartition(2 * spark.sparkContext.defaultParallelism, "line")
        rows = lines.mapInPandas(over_frames(JOBS[verb], PurePath(source).name), COLUMNS)
        rows.write.mode("overwrite").parquet(target)
    finally:
        spark.stop()


if __name__ == "__main__":
    if len(sys.argv) != 4 or sys.argv[1] not in JOBS:
        sys.exit(f"use: python {sys.argv[0]} plan|check FILE.ndjson FOLDER")
    main(*sys.argv[1:])
