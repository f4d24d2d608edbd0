-- 0001 The book: records, what was taken in, what was computed, the chain over both, and the checksums beside it.
-- The triggers are not here: store/guards.py makes them from the tables' own columns.
-- Moments are UTC text ending in Z, dates ISO text, temperatures °C, lengths mm. `typed` holds, as a JSON
-- object, what stood in the input wherever it differs from what is stored. Natural keys are text, never
-- guessed into numbers. Every row that came in names its intake.

CREATE TABLE setting (
  setting_id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  value TEXT NOT NULL
) STRICT;

CREATE TABLE intake (
  intake_id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  file_name TEXT,
  file_sha256 TEXT,
  rows_read INTEGER NOT NULL CHECK (rows_read >= 0),
  rows_added INTEGER NOT NULL CHECK (rows_added >= 0),
  rows_already INTEGER NOT NULL DEFAULT 0 CHECK (rows_already >= 0),
  rows_refused INTEGER NOT NULL DEFAULT 0 CHECK (rows_refused >= 0),
  taken_by TEXT NOT NULL,
  taken_at TEXT NOT NULL
) STRICT;
CREATE INDEX intake_file ON intake (file_sha256, kind);

CREATE TABLE material (
  material_id INTEGER PRIMARY KEY,
  material TEXT NOT NULL UNIQUE CHECK (material <> ''),
  family TEXT NOT NULL,
  cte_per_k REAL CHECK (cte_per_k > 0),
  conductivity_w_mk REAL CHECK (conductivity_w_mk > 0),
  density_kg_m3 REAL CHECK (density_kg_m3 > 0),
  specific_heat_j_kgk REAL CHECK (specific_heat_j_kgk > 0),
  max_soak_c REAL,
  reactive INTEGER CHECK (reactive IN (0, 1)),
  c_pct REAL CHECK (c_pct BETWEEN 0 AND 100),
  mn_pct REAL CHECK (mn_pct BETWEEN 0 AND 100),
  si_pct REAL CHECK (si_pct BETWEEN 0 AND 100),
  ni_pct REAL CHECK (ni_pct BETWEEN 0 AND 100),
  cr_pct REAL CHECK (cr_pct BETWEEN 0 AND 100),
  mo_pct REAL CHECK (mo_pct BETWEEN 0 AND 100),
  ac1_c REAL,
  dose_constant REAL CHECK (dose_constant > 0),
  source TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE part (
  part_id INTEGER PRIMARY KEY,
  part TEXT NOT NULL UNIQUE CHECK (part <> ''),
  material TEXT NOT NULL REFERENCES material (material),
  revision TEXT,
  description TEXT,
  shape TEXT,
  length_mm REAL CHECK (length_mm > 0),
  section_thick_mm REAL CHECK (section_thick_mm > 0),
  section_thin_mm REAL CHECK (section_thin_mm > 0),
  mass_kg REAL CHECK (mass_kg > 0),
  customer TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  CHECK (section_thin_mm <= section_thick_mm)
) STRICT;

CREATE TABLE characteristic (
  characteristic_id INTEGER PRIMARY KEY,
  part TEXT NOT NULL REFERENCES part (part),
  characteristic TEXT NOT NULL CHECK (characteristic <> ''),
  kind TEXT NOT NULL,
  nominal_mm REAL,
  lower_mm REAL,
  upper_mm REAL,
  reference_length_mm REAL CHECK (reference_length_mm > 0),
  unit TEXT,
  scale TEXT NOT NULL CHECK (scale IN ('um', 'um per 100 mm', 'log')),
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (part, characteristic),
  CHECK (lower_mm <= upper_mm)
) STRICT;

CREATE TABLE job (
  job_id INTEGER PRIMARY KEY,
  job TEXT NOT NULL UNIQUE CHECK (job <> ''),
  customer TEXT NOT NULL,
  purchase_order TEXT,
  quantity INTEGER CHECK (quantity > 0),
  drawing_revision TEXT,
  specification TEXT,
  specification_revision TEXT,
  confidential INTEGER CHECK (confidential IN (0, 1)),
  export_controlled INTEGER CHECK (export_controlled IN (0, 1)),
  keep_until TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE furnace (
  furnace_id INTEGER PRIMARY KEY,
  furnace TEXT NOT NULL UNIQUE CHECK (furnace <> ''),
  atmosphere TEXT NOT NULL,
  uniformity_c REAL CHECK (uniformity_c > 0),
  zones INTEGER CHECK (zones > 0),
  max_temp_c REAL,
  working_zone TEXT,
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE furnace_check (
  furnace_check_id INTEGER PRIMARY KEY,
  furnace TEXT NOT NULL REFERENCES furnace (furnace),
  kind TEXT NOT NULL,
  done_on TEXT NOT NULL,
  at_c REAL,
  due_on TEXT,
  worst_c REAL,
  passed INTEGER CHECK (passed IN (0, 1)),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  CHECK (due_on >= done_on)
) STRICT;
CREATE UNIQUE INDEX furnace_check_once ON furnace_check (furnace, kind, done_on, ifnull(at_c, -1e9));

CREATE TABLE gauge (
  gauge_id INTEGER PRIMARY KEY,
  gauge TEXT NOT NULL UNIQUE CHECK (gauge <> ''),
  kind TEXT NOT NULL,
  resolution_mm REAL CHECK (resolution_mm > 0),
  expanded_uncertainty_mm REAL CHECK (expanded_uncertainty_mm >= 0),
  expansion_per_k REAL CHECK (expansion_per_k >= 0),
  calibrated_until TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE calibration (
  calibration_id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL CHECK (calibration <> ''),
  at_c REAL NOT NULL,
  correction_c REAL NOT NULL,
  calibrated_on TEXT,
  valid_until TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (calibration, at_c)
) STRICT;

CREATE TABLE cycle (
  cycle_id INTEGER PRIMARY KEY,
  cycle TEXT NOT NULL CHECK (cycle <> ''),
  revision TEXT NOT NULL,
  title TEXT NOT NULL,
  process TEXT NOT NULL,
  atmosphere TEXT NOT NULL,
  source_text TEXT NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (cycle, revision)
) STRICT;

CREATE TABLE cycle_segment (
  cycle_segment_id INTEGER PRIMARY KEY,
  cycle TEXT NOT NULL,
  revision TEXT NOT NULL,
  number INTEGER NOT NULL CHECK (number > 0),
  kind TEXT NOT NULL CHECK (kind IN ('heat', 'hold', 'cool')),
  target_c REAL,
  asked_rate_c_per_h REAL CHECK (asked_rate_c_per_h > 0),
  rate_max_c_per_h REAL CHECK (rate_max_c_per_h > 0),
  rate_min_c_per_h REAL CHECK (rate_min_c_per_h >= 0),
  rate_of TEXT NOT NULL CHECK (rate_of IN ('control', 'work')),
  rate_window_min REAL CHECK (rate_window_min > 0),
  rate_above_c REAL,
  rate_below_c REAL,
  minutes REAL CHECK (minutes >= 0),
  minutes_max REAL CHECK (minutes_max >= minutes),
  band_low_c REAL CHECK (band_low_c >= 0),
  band_high_c REAL CHECK (band_high_c >= 0),
  on_leaving TEXT NOT NULL CHECK (on_leaving IN ('restart', 'pause', 'end')),
  soak_by TEXT NOT NULL CHECK (soak_by IN ('work', 'furnace')),
  purpose TEXT,
  atmosphere TEXT,
  pressure_max_mbar REAL CHECK (pressure_max_mbar > 0),
  pressure_min_mbar REAL CHECK (pressure_min_mbar >= 0),
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (cycle, revision, number),
  FOREIGN KEY (cycle, revision) REFERENCES cycle (cycle, revision)
) STRICT;

CREATE TABLE cycle_limit (
  cycle_limit_id INTEGER PRIMARY KEY,
  cycle TEXT NOT NULL,
  revision TEXT NOT NULL,
  number INTEGER NOT NULL CHECK (number > 0),
  quantity TEXT NOT NULL,
  relation TEXT NOT NULL CHECK (relation IN ('max', 'min')),
  value REAL NOT NULL,
  phase TEXT NOT NULL CHECK (phase IN ('start', 'heating', 'hold', 'cooling', 'any')),
  segment INTEGER,
  scope TEXT NOT NULL CHECK (scope IN ('load', 'piece', 'distance')),
  distance_mm REAL CHECK (distance_mm > 0),
  event TEXT,
  above_c REAL,
  below_c REAL,
  window_min REAL CHECK (window_min > 0),
  rule TEXT,
  per_mm REAL CHECK (per_mm > 0),
  cap REAL,
  floor REAL,
  knee_mm REAL,
  value_beyond REAL,
  rounding TEXT NOT NULL CHECK (rounding IN ('proportion', 'fraction')),
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (cycle, revision, number),
  FOREIGN KEY (cycle, revision) REFERENCES cycle (cycle, revision)
) STRICT;

CREATE TABLE run (
  run_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL UNIQUE CHECK (run <> ''),
  furnace TEXT NOT NULL REFERENCES furnace (furnace),
  cycle TEXT,
  cycle_revision TEXT,
  started TEXT NOT NULL,
  ended TEXT,
  setup TEXT,
  atmosphere TEXT,
  load_mass_kg REAL CHECK (load_mass_kg > 0),
  operator TEXT,
  status TEXT NOT NULL CHECK (status IN ('done', 'aborted', 'void')),
  repeats_run TEXT REFERENCES run (run),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  FOREIGN KEY (cycle, cycle_revision) REFERENCES cycle (cycle, revision),
  CHECK ((cycle IS NULL) = (cycle_revision IS NULL)),
  CHECK (ended >= started)
) STRICT;
CREATE INDEX run_started ON run (started);
CREATE INDEX run_cycle ON run (cycle, cycle_revision);

CREATE TABLE piece (
  piece_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  part TEXT NOT NULL REFERENCES part (part),
  serial TEXT NOT NULL CHECK (serial <> ''),
  job TEXT REFERENCES job (job),
  heat_number TEXT,
  quantity INTEGER NOT NULL CHECK (quantity > 0),
  setup TEXT,
  supports INTEGER CHECK (supports >= 0),
  span_mm REAL CHECK (span_mm > 0),
  axis TEXT CHECK (axis IN ('upright', 'flat')),
  position TEXT,
  machining TEXT,
  condition TEXT,
  stock_mm REAL CHECK (stock_mm >= 0),
  tempered_at_c REAL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (run, part, serial)
) STRICT;
CREATE INDEX piece_serial ON piece (part, serial);

CREATE TABLE operation (
  operation_id INTEGER PRIMARY KEY,
  part TEXT NOT NULL REFERENCES part (part),
  serial TEXT NOT NULL CHECK (serial <> ''),
  sequence INTEGER NOT NULL,
  operation TEXT NOT NULL CHECK (operation <> ''),
  at TEXT,
  run TEXT REFERENCES run (run),
  stock_removed_mm REAL CHECK (stock_removed_mm >= 0),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (part, serial, sequence)
) STRICT;

CREATE TABLE channel (
  channel_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  channel TEXT NOT NULL CHECK (channel <> ''),
  role TEXT NOT NULL CHECK (role IN ('control', 'over-temperature', 'work', 'setpoint', 'pressure',
                                     'dew point', 'oxygen', 'other')),
  unit TEXT,
  zone TEXT,
  serial TEXT,
  place TEXT,
  attachment TEXT,
  depth_mm REAL CHECK (depth_mm >= 0),
  tc_type TEXT,
  calibration TEXT,
  expanded_uncertainty_c REAL CHECK (expanded_uncertainty_c >= 0),
  x_mm REAL,
  y_mm REAL,
  z_mm REAL,
  uses INTEGER CHECK (uses >= 0),
  hottest_c REAL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (run, channel)
) STRICT;

CREATE TABLE event (
  event_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  at TEXT NOT NULL,
  event TEXT NOT NULL CHECK (event <> ''),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (run, at, event)
) STRICT;

CREATE TABLE trace (
  trace_number INTEGER PRIMARY KEY,
  trace_id TEXT NOT NULL UNIQUE,
  run TEXT NOT NULL REFERENCES run (run),
  state TEXT NOT NULL CHECK (state IN ('current', 'withdrawn')),
  path TEXT NOT NULL UNIQUE,
  sha256 TEXT NOT NULL,
  bytes INTEGER NOT NULL CHECK (bytes > 0),
  source_name TEXT NOT NULL,
  source_sha256 TEXT NOT NULL,
  layout TEXT NOT NULL,
  started TEXT NOT NULL,
  zone TEXT NOT NULL,
  interval_s REAL NOT NULL,
  seconds REAL NOT NULL,
  samples INTEGER NOT NULL CHECK (samples > 0),
  missing INTEGER NOT NULL,
  open INTEGER NOT NULL,
  out_of_range INTEGER NOT NULL,
  duplicates INTEGER NOT NULL,
  backwards INTEGER NOT NULL,
  gaps INTEGER NOT NULL,
  longest_gap_s REAL NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;
CREATE UNIQUE INDEX trace_current ON trace (run) WHERE state = 'current';

CREATE TABLE trace_channel (
  trace_channel_id INTEGER PRIMARY KEY,
  trace_id TEXT NOT NULL REFERENCES trace (trace_id),
  number INTEGER NOT NULL CHECK (number > 0),
  channel TEXT NOT NULL,
  quantity TEXT NOT NULL,
  unit TEXT NOT NULL,
  resolution REAL,
  valid INTEGER NOT NULL,
  lowest REAL,
  highest REAL,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (trace_id, number),
  UNIQUE (trace_id, channel)
) STRICT;

CREATE TABLE reading (
  reading_id INTEGER PRIMARY KEY,
  part TEXT NOT NULL,
  serial TEXT NOT NULL,
  characteristic TEXT NOT NULL,
  stage TEXT NOT NULL CHECK (stage IN ('before', 'after')),
  value_mm REAL,
  value REAL,
  run TEXT NOT NULL,
  gauge TEXT REFERENCES gauge (gauge),
  piece_temp_c REAL,
  gauge_temp_c REAL,
  already_at_20c INTEGER CHECK (already_at_20c IN (0, 1)),
  held TEXT,
  supports_at_mm TEXT,
  orientation TEXT,
  datum TEXT,
  surface TEXT,
  read_at TEXT,
  inspector TEXT,
  repeat INTEGER NOT NULL CHECK (repeat > 0),
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  FOREIGN KEY (part, characteristic) REFERENCES characteristic (part, characteristic),
  FOREIGN KEY (run, part, serial) REFERENCES piece (run, part, serial),
  UNIQUE (run, part, serial, characteristic, stage, repeat),
  CHECK ((value_mm IS NULL) <> (value IS NULL))
) STRICT;

CREATE TABLE parameter (
  parameter_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  parameter TEXT NOT NULL CHECK (parameter <> ''),
  channel TEXT,
  value REAL NOT NULL,
  unit TEXT NOT NULL,
  source TEXT NOT NULL CHECK (source IN ('trace', 'asked', 'stated')),
  se REAL,
  at_s REAL,
  note TEXT,
  algorithm TEXT,
  typed TEXT,
  intake_id INTEGER REFERENCES intake,
  CHECK ((source = 'trace') = (algorithm IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX parameter_once ON parameter (run, parameter, ifnull(channel, ''), source);
CREATE INDEX parameter_name ON parameter (parameter, source);

CREATE TABLE finding (
  finding_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  what TEXT NOT NULL CHECK (what IN ('clause', 'fault', 'run')),
  name TEXT NOT NULL,
  verdict TEXT NOT NULL,
  text TEXT NOT NULL,
  channel TEXT,
  first_s REAL,
  worst_s REAL,
  lasted_s REAL,
  first_at TEXT,
  worst_at TEXT,
  value REAL,
  limit_value REAL,
  unit TEXT,
  asked REAL,
  missing TEXT,
  without TEXT,
  uncertain INTEGER CHECK (uncertain IN (0, 1)),
  uncertainty REAL,
  segment INTEGER,
  confidence REAL,
  algorithm TEXT NOT NULL
) STRICT;
CREATE INDEX finding_run ON finding (run, what);

CREATE TABLE confirmation (
  confirmation_id INTEGER PRIMARY KEY,
  subject TEXT NOT NULL CHECK (subject IN ('fault', 'reading')),
  run TEXT NOT NULL REFERENCES run (run),
  channel TEXT,
  fault TEXT,
  partner TEXT,
  reading_id INTEGER REFERENCES reading,
  decision TEXT NOT NULL CHECK (decision IN ('confirmed', 'refused')),
  person TEXT NOT NULL CHECK (person <> ''),
  why TEXT NOT NULL CHECK (why <> ''),
  at TEXT NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE approval (
  approval_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  role TEXT NOT NULL CHECK (role <> ''),
  person TEXT NOT NULL CHECK (person <> ''),
  decision TEXT NOT NULL CHECK (decision <> ''),
  at TEXT NOT NULL,
  first_article_of TEXT REFERENCES part (part),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;
CREATE UNIQUE INDEX approval_once ON approval (run, role, person, at, ifnull(first_article_of, ''));

CREATE TABLE nonconformance (
  nonconformance_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  what TEXT NOT NULL CHECK (what <> ''),
  serial TEXT,
  disposition TEXT,
  closed_on TEXT,
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;
CREATE UNIQUE INDEX nonconformance_once ON nonconformance (run, what, ifnull(serial, ''));

CREATE TABLE history_break (
  history_break_id INTEGER PRIMARY KEY,
  at TEXT NOT NULL,
  what TEXT NOT NULL CHECK (what <> ''),
  furnace TEXT REFERENCES furnace (furnace),
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (at, what)
) STRICT;

CREATE TABLE answer (
  answer_id INTEGER PRIMARY KEY,
  answered_at TEXT NOT NULL,
  question TEXT NOT NULL,
  result TEXT NOT NULL,
  method TEXT NOT NULL,
  evidence_sha256 TEXT NOT NULL,
  part TEXT,
  characteristic TEXT,
  job TEXT,
  low REAL,
  high REAL,
  bound REAL,
  unit TEXT NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;

CREATE TABLE answer_outcome (
  answer_outcome_id INTEGER PRIMARY KEY,
  answer_id INTEGER NOT NULL REFERENCES answer,
  run TEXT NOT NULL REFERENCES run (run),
  pieces INTEGER NOT NULL CHECK (pieces > 0),
  inside INTEGER NOT NULL CHECK (inside BETWEEN 0 AND pieces),
  within_bound INTEGER NOT NULL CHECK (within_bound BETWEEN 0 AND pieces),
  UNIQUE (answer_id, run)
) STRICT;

CREATE TABLE layout (
  layout_id INTEGER PRIMARY KEY,
  name TEXT NOT NULL CHECK (name <> ''),
  revision INTEGER NOT NULL CHECK (revision > 0),
  text TEXT NOT NULL,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake,
  UNIQUE (name, revision)
) STRICT;

CREATE TABLE amendment (
  amendment_id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  record TEXT NOT NULL,
  row_id INTEGER NOT NULL,
  column_name TEXT NOT NULL,
  old_value TEXT NOT NULL,
  new_value TEXT NOT NULL,
  why TEXT NOT NULL CHECK (why <> ''),
  who TEXT NOT NULL CHECK (who <> ''),
  at TEXT NOT NULL
) STRICT;
CREATE INDEX amendment_row ON amendment (kind, row_id, column_name);

-- One link per intake and per amendment: the digest of what it put in, chained to the link before.
CREATE TABLE chain (
  link INTEGER PRIMARY KEY,
  intake_id INTEGER UNIQUE REFERENCES intake,
  amendment_id INTEGER UNIQUE REFERENCES amendment,
  content TEXT NOT NULL,
  digest TEXT NOT NULL,
  CHECK ((intake_id IS NULL) <> (amendment_id IS NULL))
) STRICT;

-- A checksum over what stands under no link of the chain because commands make it anew (what was computed of a run,
-- how kept answers fared), and over the book's settings.
CREATE TABLE seal (
  seal_id INTEGER PRIMARY KEY,
  what TEXT NOT NULL CHECK (what IN ('run', 'outcomes', 'settings')),
  name TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  UNIQUE (what, name)
) STRICT;

-- How often each table was changed, row by row, and the token of the transaction that last did: store/revision.py.
CREATE TABLE revision (
  name TEXT PRIMARY KEY,
  number INTEGER NOT NULL CHECK (number >= 0),
  token TEXT NOT NULL
) STRICT, WITHOUT ROWID;

INSERT INTO setting (name, value) VALUES ('guard_factor', '1'), ('guard_decides', 'no'), ('temper_margin_c', '30');
