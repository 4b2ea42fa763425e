"""The cohort on Spark, in a process of its own: `python -m tests.registry.spark_cohort TABLES OUT.parquet`."""

import sys
from pathlib import Path

import ibis
from pyspark.sql import SparkSession

from service.registry.cohort import TABLES, cohort
from service.registry.definitions import load_definitions
from service.terminology import load


def main(tables, out):
    session = (
        SparkSession.builder.master("local[1]")
        .config("spark.ui.enabled", "false")
        .config("spark.sql.shuffle.partitions", "1")
        .config("spark.sql.codegen.wholeStage", "false")  # compiling costs more than so few rows
        .config("spark.sql.adaptive.enabled", "false")
        .config("spark.sql.session.timeZone", "UTC")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .getOrCreate()
    )
    engine = ibis.pyspark.connect(session)
    read = {name: engine.read_parquet(str(Path(tables) / f"{name}.parquet"), table_name=name) for name in TABLES}
    cohort(read, load_definitions(load(None))).execute().to_parquet(out)
    session.stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
