"""Groups on Apache Spark: needs Java and the extra `spark`, and runs by itself (.ci/run, or pytest -m spark)."""
