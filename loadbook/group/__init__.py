"""Several plants: publishing a book, reading a group on DuckDB or Spark, recomputing runs where they lie."""
