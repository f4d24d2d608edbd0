"""Pure functions of arrays and records (numpy, pandas, scipy): no files, no SQL, no terminal; run in any engine."""
