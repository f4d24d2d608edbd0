-- 0004 A planned trial: what it is to learn, the runs it asks for in the order drawn by lot, and who planned it when.
-- What is done of it is not kept but recognised from the runs; a run that a person names stands in trial_run.run.

CREATE TABLE trial (
  trial_id INTEGER PRIMARY KEY,
  planned_at TEXT NOT NULL,
  purpose TEXT NOT NULL CHECK (purpose <> ''),
  person TEXT NOT NULL CHECK (person <> ''),
  process TEXT NOT NULL,
  kind TEXT NOT NULL,
  parameter TEXT NOT NULL,
  low REAL NOT NULL,
  high REAL NOT NULL,
  factors TEXT NOT NULL,
  pieces INTEGER NOT NULL CHECK (pieces > 0),
  repeats INTEGER NOT NULL CHECK (repeats > 0),
  text TEXT NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  CHECK (low < high)
) STRICT;

CREATE TABLE trial_run (
  trial_run_id INTEGER PRIMARY KEY,
  trial_id INTEGER NOT NULL REFERENCES trial,
  place INTEGER NOT NULL CHECK (place > 0),
  part TEXT NOT NULL REFERENCES part (part),
  characteristic TEXT NOT NULL,
  setting REAL NOT NULL,
  levels TEXT NOT NULL,
  run TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (trial_id, place)
) STRICT;
