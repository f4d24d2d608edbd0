-- 0003 The sheet that was gone through before a load's door was closed: what it said, who ticked its boxes, and when.

CREATE TABLE precheck (
  precheck_id INTEGER PRIMARY KEY,
  run TEXT NOT NULL REFERENCES run (run),
  verdict TEXT NOT NULL CHECK (verdict IN ('pass', 'open', 'stop')),
  points TEXT NOT NULL,
  person TEXT NOT NULL CHECK (person <> ''),
  at TEXT NOT NULL,
  note TEXT,
  typed TEXT,
  intake_id INTEGER NOT NULL REFERENCES intake
) STRICT;
CREATE INDEX precheck_run ON precheck (run);
