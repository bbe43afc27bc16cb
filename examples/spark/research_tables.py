"""Captures to research tables on Spark: one file, to be started with spark-submit.

    spark-submit examples/spark/research_tables.py hdfs:///captures/*.ndjson.gz hdfs:///extract

It writes Parquet: ``problems`` (what is wrong, and whether the exam was accepted all the same), ``observations``
(FHIR JSON), and the tables ``exams``, ``findings``, ``components``, ``newborns``, ``tells``, in which an amendment
stands for what it amends. The package with its extra ``spark`` must be installed on every machine; a site's folder
too, where ``--site`` names one. Nothing here de-identifies.
"""

from __future__ import annotations

import argparse

from pyspark.sql import SparkSession

from adapter.run import spark
from adapter.write.tables import TABLES


def main() -> None:
    """Read, map, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("captures", nargs="+", help="NDJSON of capture records or bundles, plain or gzipped")
    parser.add_argument("out", help="the folder to write to")
    parser.add_argument("--site", help="a site's own folder, the same path on every machine")
    asked = parser.parse_args()
    engine = SparkSession.builder.appName("newborn exams: research tables").getOrCreate()
    captures = spark.captures(engine, *asked.captures).cache()
    spark.problems(captures, site=asked.site).write.parquet(f"{asked.out}/problems")
    spark.observations(captures, site=asked.site).write.parquet(f"{asked.out}/observations")
    standing = spark.current(captures, site=asked.site).cache()
    for name in TABLES:
        spark.table(standing, name, site=asked.site).write.parquet(f"{asked.out}/{name}")
    engine.stop()


if __name__ == "__main__":
    main()
