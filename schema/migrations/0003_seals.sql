-- 0003 Seals: a digest over what stands under no link of the chain because commands make it anew (what was computed
-- of a run, how kept answers fared) and over the book's settings, so that damage to them is found as well. And the
-- settings, which change verdicts, change by amendments only.

CREATE TABLE seal (
  seal_id INTEGER PRIMARY KEY,
  what TEXT NOT NULL CHECK (what IN ('run', 'outcomes', 'settings')),
  name TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  UNIQUE (what, name)
) STRICT;

INSERT OR IGNORE INTO setting (name, value) VALUES ('guard_factor', '1');
INSERT OR IGNORE INTO setting (name, value) VALUES ('guard_decides', 'no');

CREATE TRIGGER setting_kept BEFORE UPDATE ON setting
WHEN OLD.setting_id IS NOT NEW.setting_id OR OLD.name IS NOT NEW.name OR NOT (
    OLD.value IS NEW.value OR quote(NEW.value) IS (SELECT new_value FROM amendment WHERE kind = 'setting'
      AND row_id = OLD.setting_id AND column_name = 'value' ORDER BY amendment_id DESC LIMIT 1))
BEGIN
  SELECT RAISE(ABORT, 'settings are changed with: loadbook amend settings');
END;
CREATE TRIGGER setting_stays BEFORE DELETE ON setting
BEGIN
  SELECT RAISE(ABORT, 'rows of setting are never deleted; amend them instead');
END;
