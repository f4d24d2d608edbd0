-- 0002 Limits of a characteristic in its own unit (hardness, angle, residual stress), how a stress is measured, and
-- straightening as an amount with its direction.

ALTER TABLE characteristic ADD COLUMN nominal REAL;
ALTER TABLE characteristic ADD COLUMN lower REAL;
ALTER TABLE characteristic ADD COLUMN upper REAL CHECK (lower <= upper);
ALTER TABLE characteristic ADD COLUMN method TEXT;
ALTER TABLE characteristic ADD COLUMN depth_mm REAL CHECK (depth_mm >= 0);
ALTER TABLE characteristic ADD COLUMN direction TEXT;
ALTER TABLE operation ADD COLUMN straightened_mm REAL CHECK (straightened_mm >= 0);
ALTER TABLE operation ADD COLUMN direction TEXT;
