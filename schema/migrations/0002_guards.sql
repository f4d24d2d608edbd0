-- 0002 Accepted values are never overwritten: an update needs an amendment that says the same value, a row is never
-- deleted. What is computed (finding, answer_outcome, parameters measured or asked) is left out: recompute makes it anew.

CREATE TRIGGER material_kept BEFORE UPDATE ON material
WHEN OLD.material_id IS NOT NEW.material_id OR NOT (
    (OLD.material IS NEW.material OR quote(NEW.material) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'material' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.family IS NEW.family OR quote(NEW.family) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'family' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.cte_per_k IS NEW.cte_per_k OR quote(NEW.cte_per_k) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'cte_per_k' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.conductivity_w_mk IS NEW.conductivity_w_mk OR quote(NEW.conductivity_w_mk) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'conductivity_w_mk' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.density_kg_m3 IS NEW.density_kg_m3 OR quote(NEW.density_kg_m3) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'density_kg_m3' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.specific_heat_j_kgk IS NEW.specific_heat_j_kgk OR quote(NEW.specific_heat_j_kgk) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'specific_heat_j_kgk' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.max_soak_c IS NEW.max_soak_c OR quote(NEW.max_soak_c) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'max_soak_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.reactive IS NEW.reactive OR quote(NEW.reactive) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'reactive' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.c_pct IS NEW.c_pct OR quote(NEW.c_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'c_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.mn_pct IS NEW.mn_pct OR quote(NEW.mn_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'mn_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.si_pct IS NEW.si_pct OR quote(NEW.si_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'si_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.ni_pct IS NEW.ni_pct OR quote(NEW.ni_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'ni_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.cr_pct IS NEW.cr_pct OR quote(NEW.cr_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'cr_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.mo_pct IS NEW.mo_pct OR quote(NEW.mo_pct) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'mo_pct' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.ac1_c IS NEW.ac1_c OR quote(NEW.ac1_c) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'ac1_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.dose_constant IS NEW.dose_constant OR quote(NEW.dose_constant) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'dose_constant' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.source IS NEW.source OR quote(NEW.source) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'source' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'material'
      AND row_id = OLD.material_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of material are changed with: loadbook amend');
END;
CREATE TRIGGER material_stays BEFORE DELETE ON material
BEGIN
  SELECT RAISE(ABORT, 'rows of material are never deleted; amend them instead');
END;

CREATE TRIGGER part_kept BEFORE UPDATE ON part
WHEN OLD.part_id IS NOT NEW.part_id OR NOT (
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.material IS NEW.material OR quote(NEW.material) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'material' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.revision IS NEW.revision OR quote(NEW.revision) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.description IS NEW.description OR quote(NEW.description) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'description' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.shape IS NEW.shape OR quote(NEW.shape) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'shape' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.length_mm IS NEW.length_mm OR quote(NEW.length_mm) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'length_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.section_thick_mm IS NEW.section_thick_mm OR quote(NEW.section_thick_mm) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'section_thick_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.section_thin_mm IS NEW.section_thin_mm OR quote(NEW.section_thin_mm) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'section_thin_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.mass_kg IS NEW.mass_kg OR quote(NEW.mass_kg) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'mass_kg' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.customer IS NEW.customer OR quote(NEW.customer) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'customer' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'part'
      AND row_id = OLD.part_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of part are changed with: loadbook amend');
END;
CREATE TRIGGER part_stays BEFORE DELETE ON part
BEGIN
  SELECT RAISE(ABORT, 'rows of part are never deleted; amend them instead');
END;

CREATE TRIGGER characteristic_kept BEFORE UPDATE ON characteristic
WHEN OLD.characteristic_id IS NOT NEW.characteristic_id OR NOT (
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.characteristic IS NEW.characteristic OR quote(NEW.characteristic) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'characteristic' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.kind IS NEW.kind OR quote(NEW.kind) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'kind' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.nominal_mm IS NEW.nominal_mm OR quote(NEW.nominal_mm) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'nominal_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.lower_mm IS NEW.lower_mm OR quote(NEW.lower_mm) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'lower_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.upper_mm IS NEW.upper_mm OR quote(NEW.upper_mm) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'upper_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.reference_length_mm IS NEW.reference_length_mm OR quote(NEW.reference_length_mm) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'reference_length_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.unit IS NEW.unit OR quote(NEW.unit) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'unit' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.scale IS NEW.scale OR quote(NEW.scale) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'scale' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'characteristic'
      AND row_id = OLD.characteristic_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of characteristic are changed with: loadbook amend');
END;
CREATE TRIGGER characteristic_stays BEFORE DELETE ON characteristic
BEGIN
  SELECT RAISE(ABORT, 'rows of characteristic are never deleted; amend them instead');
END;

CREATE TRIGGER job_kept BEFORE UPDATE ON job
WHEN OLD.job_id IS NOT NEW.job_id OR NOT (
    (OLD.job IS NEW.job OR quote(NEW.job) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'job' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.customer IS NEW.customer OR quote(NEW.customer) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'customer' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.purchase_order IS NEW.purchase_order OR quote(NEW.purchase_order) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'purchase_order' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.quantity IS NEW.quantity OR quote(NEW.quantity) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'quantity' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.drawing_revision IS NEW.drawing_revision OR quote(NEW.drawing_revision) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'drawing_revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.specification IS NEW.specification OR quote(NEW.specification) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'specification' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.specification_revision IS NEW.specification_revision OR quote(NEW.specification_revision) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'specification_revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.confidential IS NEW.confidential OR quote(NEW.confidential) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'confidential' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.export_controlled IS NEW.export_controlled OR quote(NEW.export_controlled) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'export_controlled' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.keep_until IS NEW.keep_until OR quote(NEW.keep_until) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'keep_until' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'job'
      AND row_id = OLD.job_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of job are changed with: loadbook amend');
END;
CREATE TRIGGER job_stays BEFORE DELETE ON job
BEGIN
  SELECT RAISE(ABORT, 'rows of job are never deleted; amend them instead');
END;

CREATE TRIGGER furnace_kept BEFORE UPDATE ON furnace
WHEN OLD.furnace_id IS NOT NEW.furnace_id OR NOT (
    (OLD.furnace IS NEW.furnace OR quote(NEW.furnace) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'furnace' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.atmosphere IS NEW.atmosphere OR quote(NEW.atmosphere) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'atmosphere' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.uniformity_c IS NEW.uniformity_c OR quote(NEW.uniformity_c) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'uniformity_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.zones IS NEW.zones OR quote(NEW.zones) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'zones' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.max_temp_c IS NEW.max_temp_c OR quote(NEW.max_temp_c) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'max_temp_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.working_zone IS NEW.working_zone OR quote(NEW.working_zone) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'working_zone' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'furnace'
      AND row_id = OLD.furnace_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of furnace are changed with: loadbook amend');
END;
CREATE TRIGGER furnace_stays BEFORE DELETE ON furnace
BEGIN
  SELECT RAISE(ABORT, 'rows of furnace are never deleted; amend them instead');
END;

CREATE TRIGGER furnace_check_kept BEFORE UPDATE ON furnace_check
WHEN OLD.furnace_check_id IS NOT NEW.furnace_check_id OR NOT (
    (OLD.furnace IS NEW.furnace OR quote(NEW.furnace) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'furnace' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.kind IS NEW.kind OR quote(NEW.kind) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'kind' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.done_on IS NEW.done_on OR quote(NEW.done_on) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'done_on' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at_c IS NEW.at_c OR quote(NEW.at_c) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'at_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.due_on IS NEW.due_on OR quote(NEW.due_on) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'due_on' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.worst_c IS NEW.worst_c OR quote(NEW.worst_c) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'worst_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.passed IS NEW.passed OR quote(NEW.passed) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'passed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'furnace_check'
      AND row_id = OLD.furnace_check_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of furnace_check are changed with: loadbook amend');
END;
CREATE TRIGGER furnace_check_stays BEFORE DELETE ON furnace_check
BEGIN
  SELECT RAISE(ABORT, 'rows of furnace_check are never deleted; amend them instead');
END;

CREATE TRIGGER gauge_kept BEFORE UPDATE ON gauge
WHEN OLD.gauge_id IS NOT NEW.gauge_id OR NOT (
    (OLD.gauge IS NEW.gauge OR quote(NEW.gauge) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'gauge' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.kind IS NEW.kind OR quote(NEW.kind) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'kind' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.resolution_mm IS NEW.resolution_mm OR quote(NEW.resolution_mm) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'resolution_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.expanded_uncertainty_mm IS NEW.expanded_uncertainty_mm OR quote(NEW.expanded_uncertainty_mm) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'expanded_uncertainty_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.expansion_per_k IS NEW.expansion_per_k OR quote(NEW.expansion_per_k) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'expansion_per_k' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.calibrated_until IS NEW.calibrated_until OR quote(NEW.calibrated_until) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'calibrated_until' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'gauge'
      AND row_id = OLD.gauge_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of gauge are changed with: loadbook amend');
END;
CREATE TRIGGER gauge_stays BEFORE DELETE ON gauge
BEGIN
  SELECT RAISE(ABORT, 'rows of gauge are never deleted; amend them instead');
END;

CREATE TRIGGER calibration_kept BEFORE UPDATE ON calibration
WHEN OLD.calibration_id IS NOT NEW.calibration_id OR NOT (
    (OLD.calibration IS NEW.calibration OR quote(NEW.calibration) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'calibration' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at_c IS NEW.at_c OR quote(NEW.at_c) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'at_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.correction_c IS NEW.correction_c OR quote(NEW.correction_c) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'correction_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.calibrated_on IS NEW.calibrated_on OR quote(NEW.calibrated_on) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'calibrated_on' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.valid_until IS NEW.valid_until OR quote(NEW.valid_until) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'valid_until' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'calibration'
      AND row_id = OLD.calibration_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of calibration are changed with: loadbook amend');
END;
CREATE TRIGGER calibration_stays BEFORE DELETE ON calibration
BEGIN
  SELECT RAISE(ABORT, 'rows of calibration are never deleted; amend them instead');
END;

CREATE TRIGGER cycle_kept BEFORE UPDATE ON cycle
WHEN OLD.cycle_id IS NOT NEW.cycle_id OR NOT (
    (OLD.cycle IS NEW.cycle OR quote(NEW.cycle) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'cycle' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.revision IS NEW.revision OR quote(NEW.revision) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.title IS NEW.title OR quote(NEW.title) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'title' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.process IS NEW.process OR quote(NEW.process) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'process' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.atmosphere IS NEW.atmosphere OR quote(NEW.atmosphere) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'atmosphere' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.source_text IS NEW.source_text OR quote(NEW.source_text) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'source_text' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'cycle'
      AND row_id = OLD.cycle_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of cycle are changed with: loadbook amend');
END;
CREATE TRIGGER cycle_stays BEFORE DELETE ON cycle
BEGIN
  SELECT RAISE(ABORT, 'rows of cycle are never deleted; amend them instead');
END;

CREATE TRIGGER cycle_segment_kept BEFORE UPDATE ON cycle_segment
WHEN OLD.cycle_segment_id IS NOT NEW.cycle_segment_id OR NOT (
    (OLD.cycle IS NEW.cycle OR quote(NEW.cycle) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'cycle' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.revision IS NEW.revision OR quote(NEW.revision) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.number IS NEW.number OR quote(NEW.number) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'number' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.kind IS NEW.kind OR quote(NEW.kind) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'kind' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.target_c IS NEW.target_c OR quote(NEW.target_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'target_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.asked_rate_c_per_h IS NEW.asked_rate_c_per_h OR quote(NEW.asked_rate_c_per_h) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'asked_rate_c_per_h' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_max_c_per_h IS NEW.rate_max_c_per_h OR quote(NEW.rate_max_c_per_h) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_max_c_per_h' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_min_c_per_h IS NEW.rate_min_c_per_h OR quote(NEW.rate_min_c_per_h) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_min_c_per_h' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_of IS NEW.rate_of OR quote(NEW.rate_of) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_of' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_window_min IS NEW.rate_window_min OR quote(NEW.rate_window_min) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_window_min' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_above_c IS NEW.rate_above_c OR quote(NEW.rate_above_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_above_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rate_below_c IS NEW.rate_below_c OR quote(NEW.rate_below_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'rate_below_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.minutes IS NEW.minutes OR quote(NEW.minutes) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'minutes' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.minutes_max IS NEW.minutes_max OR quote(NEW.minutes_max) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'minutes_max' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.band_low_c IS NEW.band_low_c OR quote(NEW.band_low_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'band_low_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.band_high_c IS NEW.band_high_c OR quote(NEW.band_high_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'band_high_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.on_leaving IS NEW.on_leaving OR quote(NEW.on_leaving) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'on_leaving' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.soak_by IS NEW.soak_by OR quote(NEW.soak_by) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'soak_by' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.purpose IS NEW.purpose OR quote(NEW.purpose) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'purpose' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.atmosphere IS NEW.atmosphere OR quote(NEW.atmosphere) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'atmosphere' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.pressure_max_mbar IS NEW.pressure_max_mbar OR quote(NEW.pressure_max_mbar) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'pressure_max_mbar' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.pressure_min_mbar IS NEW.pressure_min_mbar OR quote(NEW.pressure_min_mbar) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'pressure_min_mbar' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_segment'
      AND row_id = OLD.cycle_segment_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of cycle_segment are changed with: loadbook amend');
END;
CREATE TRIGGER cycle_segment_stays BEFORE DELETE ON cycle_segment
BEGIN
  SELECT RAISE(ABORT, 'rows of cycle_segment are never deleted; amend them instead');
END;

CREATE TRIGGER cycle_limit_kept BEFORE UPDATE ON cycle_limit
WHEN OLD.cycle_limit_id IS NOT NEW.cycle_limit_id OR NOT (
    (OLD.cycle IS NEW.cycle OR quote(NEW.cycle) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'cycle' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.revision IS NEW.revision OR quote(NEW.revision) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.number IS NEW.number OR quote(NEW.number) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'number' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.quantity IS NEW.quantity OR quote(NEW.quantity) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'quantity' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.relation IS NEW.relation OR quote(NEW.relation) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'relation' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.value IS NEW.value OR quote(NEW.value) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'value' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.phase IS NEW.phase OR quote(NEW.phase) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'phase' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.segment IS NEW.segment OR quote(NEW.segment) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'segment' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.scope IS NEW.scope OR quote(NEW.scope) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'scope' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.distance_mm IS NEW.distance_mm OR quote(NEW.distance_mm) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'distance_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.event IS NEW.event OR quote(NEW.event) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'event' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.above_c IS NEW.above_c OR quote(NEW.above_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'above_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.below_c IS NEW.below_c OR quote(NEW.below_c) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'below_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.window_min IS NEW.window_min OR quote(NEW.window_min) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'window_min' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rule IS NEW.rule OR quote(NEW.rule) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'rule' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.per_mm IS NEW.per_mm OR quote(NEW.per_mm) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'per_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.cap IS NEW.cap OR quote(NEW.cap) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'cap' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.floor IS NEW.floor OR quote(NEW.floor) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'floor' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.knee_mm IS NEW.knee_mm OR quote(NEW.knee_mm) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'knee_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.value_beyond IS NEW.value_beyond OR quote(NEW.value_beyond) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'value_beyond' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.rounding IS NEW.rounding OR quote(NEW.rounding) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'rounding' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'cycle_limit'
      AND row_id = OLD.cycle_limit_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of cycle_limit are changed with: loadbook amend');
END;
CREATE TRIGGER cycle_limit_stays BEFORE DELETE ON cycle_limit
BEGIN
  SELECT RAISE(ABORT, 'rows of cycle_limit are never deleted; amend them instead');
END;

CREATE TRIGGER run_kept BEFORE UPDATE ON run
WHEN OLD.run_id IS NOT NEW.run_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.furnace IS NEW.furnace OR quote(NEW.furnace) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'furnace' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.cycle IS NEW.cycle OR quote(NEW.cycle) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'cycle' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.cycle_revision IS NEW.cycle_revision OR quote(NEW.cycle_revision) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'cycle_revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.started IS NEW.started OR quote(NEW.started) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'started' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.ended IS NEW.ended OR quote(NEW.ended) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'ended' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.setup IS NEW.setup OR quote(NEW.setup) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'setup' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.atmosphere IS NEW.atmosphere OR quote(NEW.atmosphere) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'atmosphere' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.load_mass_kg IS NEW.load_mass_kg OR quote(NEW.load_mass_kg) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'load_mass_kg' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.operator IS NEW.operator OR quote(NEW.operator) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'operator' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.status IS NEW.status OR quote(NEW.status) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'status' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.repeats_run IS NEW.repeats_run OR quote(NEW.repeats_run) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'repeats_run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'run'
      AND row_id = OLD.run_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of run are changed with: loadbook amend');
END;
CREATE TRIGGER run_stays BEFORE DELETE ON run
BEGIN
  SELECT RAISE(ABORT, 'rows of run are never deleted; amend them instead');
END;

CREATE TRIGGER piece_kept BEFORE UPDATE ON piece
WHEN OLD.piece_id IS NOT NEW.piece_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.serial IS NEW.serial OR quote(NEW.serial) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'serial' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.job IS NEW.job OR quote(NEW.job) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'job' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.heat_number IS NEW.heat_number OR quote(NEW.heat_number) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'heat_number' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.quantity IS NEW.quantity OR quote(NEW.quantity) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'quantity' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.setup IS NEW.setup OR quote(NEW.setup) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'setup' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.supports IS NEW.supports OR quote(NEW.supports) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'supports' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.span_mm IS NEW.span_mm OR quote(NEW.span_mm) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'span_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.axis IS NEW.axis OR quote(NEW.axis) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'axis' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.position IS NEW.position OR quote(NEW.position) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'position' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.machining IS NEW.machining OR quote(NEW.machining) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'machining' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.condition IS NEW.condition OR quote(NEW.condition) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'condition' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.stock_mm IS NEW.stock_mm OR quote(NEW.stock_mm) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'stock_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.tempered_at_c IS NEW.tempered_at_c OR quote(NEW.tempered_at_c) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'tempered_at_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'piece'
      AND row_id = OLD.piece_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of piece are changed with: loadbook amend');
END;
CREATE TRIGGER piece_stays BEFORE DELETE ON piece
BEGIN
  SELECT RAISE(ABORT, 'rows of piece are never deleted; amend them instead');
END;

CREATE TRIGGER operation_kept BEFORE UPDATE ON operation
WHEN OLD.operation_id IS NOT NEW.operation_id OR NOT (
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.serial IS NEW.serial OR quote(NEW.serial) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'serial' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.sequence IS NEW.sequence OR quote(NEW.sequence) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'sequence' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.operation IS NEW.operation OR quote(NEW.operation) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'operation' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at IS NEW.at OR quote(NEW.at) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.stock_removed_mm IS NEW.stock_removed_mm OR quote(NEW.stock_removed_mm) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'stock_removed_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'operation'
      AND row_id = OLD.operation_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of operation are changed with: loadbook amend');
END;
CREATE TRIGGER operation_stays BEFORE DELETE ON operation
BEGIN
  SELECT RAISE(ABORT, 'rows of operation are never deleted; amend them instead');
END;

CREATE TRIGGER channel_kept BEFORE UPDATE ON channel
WHEN OLD.channel_id IS NOT NEW.channel_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.channel IS NEW.channel OR quote(NEW.channel) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'channel' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.role IS NEW.role OR quote(NEW.role) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'role' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.unit IS NEW.unit OR quote(NEW.unit) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'unit' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.zone IS NEW.zone OR quote(NEW.zone) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'zone' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.serial IS NEW.serial OR quote(NEW.serial) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'serial' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.place IS NEW.place OR quote(NEW.place) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'place' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.attachment IS NEW.attachment OR quote(NEW.attachment) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'attachment' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.depth_mm IS NEW.depth_mm OR quote(NEW.depth_mm) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'depth_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.tc_type IS NEW.tc_type OR quote(NEW.tc_type) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'tc_type' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.calibration IS NEW.calibration OR quote(NEW.calibration) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'calibration' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.expanded_uncertainty_c IS NEW.expanded_uncertainty_c OR quote(NEW.expanded_uncertainty_c) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'expanded_uncertainty_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.x_mm IS NEW.x_mm OR quote(NEW.x_mm) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'x_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.y_mm IS NEW.y_mm OR quote(NEW.y_mm) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'y_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.z_mm IS NEW.z_mm OR quote(NEW.z_mm) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'z_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.uses IS NEW.uses OR quote(NEW.uses) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'uses' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.hottest_c IS NEW.hottest_c OR quote(NEW.hottest_c) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'hottest_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'channel'
      AND row_id = OLD.channel_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of channel are changed with: loadbook amend');
END;
CREATE TRIGGER channel_stays BEFORE DELETE ON channel
BEGIN
  SELECT RAISE(ABORT, 'rows of channel are never deleted; amend them instead');
END;

CREATE TRIGGER event_kept BEFORE UPDATE ON event
WHEN OLD.event_id IS NOT NEW.event_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at IS NEW.at OR quote(NEW.at) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.event IS NEW.event OR quote(NEW.event) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'event' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'event'
      AND row_id = OLD.event_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of event are changed with: loadbook amend');
END;
CREATE TRIGGER event_stays BEFORE DELETE ON event
BEGIN
  SELECT RAISE(ABORT, 'rows of event are never deleted; amend them instead');
END;

CREATE TRIGGER trace_kept BEFORE UPDATE ON trace
WHEN OLD.trace_number IS NOT NEW.trace_number OR NOT (
    (OLD.trace_id IS NEW.trace_id OR quote(NEW.trace_id) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'trace_id' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.state IS NEW.state OR quote(NEW.state) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'state' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.path IS NEW.path OR quote(NEW.path) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'path' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.sha256 IS NEW.sha256 OR quote(NEW.sha256) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'sha256' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.bytes IS NEW.bytes OR quote(NEW.bytes) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'bytes' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.source_name IS NEW.source_name OR quote(NEW.source_name) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'source_name' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.source_sha256 IS NEW.source_sha256 OR quote(NEW.source_sha256) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'source_sha256' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.layout IS NEW.layout OR quote(NEW.layout) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'layout' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.started IS NEW.started OR quote(NEW.started) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'started' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.zone IS NEW.zone OR quote(NEW.zone) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'zone' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.interval_s IS NEW.interval_s OR quote(NEW.interval_s) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'interval_s' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.seconds IS NEW.seconds OR quote(NEW.seconds) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'seconds' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.samples IS NEW.samples OR quote(NEW.samples) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'samples' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.missing IS NEW.missing OR quote(NEW.missing) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'missing' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.open IS NEW.open OR quote(NEW.open) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'open' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.out_of_range IS NEW.out_of_range OR quote(NEW.out_of_range) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'out_of_range' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.duplicates IS NEW.duplicates OR quote(NEW.duplicates) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'duplicates' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.backwards IS NEW.backwards OR quote(NEW.backwards) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'backwards' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.gaps IS NEW.gaps OR quote(NEW.gaps) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'gaps' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.longest_gap_s IS NEW.longest_gap_s OR quote(NEW.longest_gap_s) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'longest_gap_s' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'trace'
      AND row_id = OLD.trace_number AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of trace are changed with: loadbook amend');
END;
CREATE TRIGGER trace_stays BEFORE DELETE ON trace
BEGIN
  SELECT RAISE(ABORT, 'rows of trace are never deleted; amend them instead');
END;

CREATE TRIGGER trace_channel_kept BEFORE UPDATE ON trace_channel
WHEN OLD.trace_channel_id IS NOT NEW.trace_channel_id OR NOT (
    (OLD.trace_id IS NEW.trace_id OR quote(NEW.trace_id) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'trace_id' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.number IS NEW.number OR quote(NEW.number) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'number' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.channel IS NEW.channel OR quote(NEW.channel) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'channel' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.quantity IS NEW.quantity OR quote(NEW.quantity) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'quantity' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.unit IS NEW.unit OR quote(NEW.unit) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'unit' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.resolution IS NEW.resolution OR quote(NEW.resolution) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'resolution' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.valid IS NEW.valid OR quote(NEW.valid) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'valid' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.lowest IS NEW.lowest OR quote(NEW.lowest) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'lowest' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.highest IS NEW.highest OR quote(NEW.highest) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'highest' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'trace_channel'
      AND row_id = OLD.trace_channel_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of trace_channel are changed with: loadbook amend');
END;
CREATE TRIGGER trace_channel_stays BEFORE DELETE ON trace_channel
BEGIN
  SELECT RAISE(ABORT, 'rows of trace_channel are never deleted; amend them instead');
END;

CREATE TRIGGER reading_kept BEFORE UPDATE ON reading
WHEN OLD.reading_id IS NOT NEW.reading_id OR NOT (
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.serial IS NEW.serial OR quote(NEW.serial) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'serial' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.characteristic IS NEW.characteristic OR quote(NEW.characteristic) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'characteristic' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.stage IS NEW.stage OR quote(NEW.stage) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'stage' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.value_mm IS NEW.value_mm OR quote(NEW.value_mm) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'value_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.value IS NEW.value OR quote(NEW.value) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'value' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.gauge IS NEW.gauge OR quote(NEW.gauge) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'gauge' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.piece_temp_c IS NEW.piece_temp_c OR quote(NEW.piece_temp_c) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'piece_temp_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.gauge_temp_c IS NEW.gauge_temp_c OR quote(NEW.gauge_temp_c) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'gauge_temp_c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.already_at_20c IS NEW.already_at_20c OR quote(NEW.already_at_20c) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'already_at_20c' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.held IS NEW.held OR quote(NEW.held) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'held' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.supports_at_mm IS NEW.supports_at_mm OR quote(NEW.supports_at_mm) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'supports_at_mm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.orientation IS NEW.orientation OR quote(NEW.orientation) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'orientation' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.datum IS NEW.datum OR quote(NEW.datum) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'datum' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.surface IS NEW.surface OR quote(NEW.surface) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'surface' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.read_at IS NEW.read_at OR quote(NEW.read_at) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'read_at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.inspector IS NEW.inspector OR quote(NEW.inspector) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'inspector' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.repeat IS NEW.repeat OR quote(NEW.repeat) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'repeat' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'reading'
      AND row_id = OLD.reading_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of reading are changed with: loadbook amend');
END;
CREATE TRIGGER reading_stays BEFORE DELETE ON reading
BEGIN
  SELECT RAISE(ABORT, 'rows of reading are never deleted; amend them instead');
END;

CREATE TRIGGER confirmation_kept BEFORE UPDATE ON confirmation
WHEN OLD.confirmation_id IS NOT NEW.confirmation_id OR NOT (
    (OLD.subject IS NEW.subject OR quote(NEW.subject) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'subject' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.channel IS NEW.channel OR quote(NEW.channel) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'channel' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.fault IS NEW.fault OR quote(NEW.fault) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'fault' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.reading_id IS NEW.reading_id OR quote(NEW.reading_id) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'reading_id' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.decision IS NEW.decision OR quote(NEW.decision) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'decision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.person IS NEW.person OR quote(NEW.person) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'person' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.why IS NEW.why OR quote(NEW.why) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'why' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at IS NEW.at OR quote(NEW.at) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'confirmation'
      AND row_id = OLD.confirmation_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of confirmation are changed with: loadbook amend');
END;
CREATE TRIGGER confirmation_stays BEFORE DELETE ON confirmation
BEGIN
  SELECT RAISE(ABORT, 'rows of confirmation are never deleted; amend them instead');
END;

CREATE TRIGGER approval_kept BEFORE UPDATE ON approval
WHEN OLD.approval_id IS NOT NEW.approval_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.role IS NEW.role OR quote(NEW.role) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'role' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.person IS NEW.person OR quote(NEW.person) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'person' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.decision IS NEW.decision OR quote(NEW.decision) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'decision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at IS NEW.at OR quote(NEW.at) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'approval'
      AND row_id = OLD.approval_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of approval are changed with: loadbook amend');
END;
CREATE TRIGGER approval_stays BEFORE DELETE ON approval
BEGIN
  SELECT RAISE(ABORT, 'rows of approval are never deleted; amend them instead');
END;

CREATE TRIGGER nonconformance_kept BEFORE UPDATE ON nonconformance
WHEN OLD.nonconformance_id IS NOT NEW.nonconformance_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.what IS NEW.what OR quote(NEW.what) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'what' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.serial IS NEW.serial OR quote(NEW.serial) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'serial' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.disposition IS NEW.disposition OR quote(NEW.disposition) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'disposition' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.closed_on IS NEW.closed_on OR quote(NEW.closed_on) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'closed_on' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'nonconformance'
      AND row_id = OLD.nonconformance_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of nonconformance are changed with: loadbook amend');
END;
CREATE TRIGGER nonconformance_stays BEFORE DELETE ON nonconformance
BEGIN
  SELECT RAISE(ABORT, 'rows of nonconformance are never deleted; amend them instead');
END;

CREATE TRIGGER history_break_kept BEFORE UPDATE ON history_break
WHEN OLD.history_break_id IS NOT NEW.history_break_id OR NOT (
    (OLD.at IS NEW.at OR quote(NEW.at) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.what IS NEW.what OR quote(NEW.what) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'what' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.furnace IS NEW.furnace OR quote(NEW.furnace) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'furnace' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'history_break'
      AND row_id = OLD.history_break_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of history_break are changed with: loadbook amend');
END;
CREATE TRIGGER history_break_stays BEFORE DELETE ON history_break
BEGIN
  SELECT RAISE(ABORT, 'rows of history_break are never deleted; amend them instead');
END;

CREATE TRIGGER answer_kept BEFORE UPDATE ON answer
WHEN OLD.answer_id IS NOT NEW.answer_id OR NOT (
    (OLD.answered_at IS NEW.answered_at OR quote(NEW.answered_at) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'answered_at' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.question IS NEW.question OR quote(NEW.question) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'question' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.result IS NEW.result OR quote(NEW.result) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'result' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.method IS NEW.method OR quote(NEW.method) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'method' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.evidence_sha256 IS NEW.evidence_sha256 OR quote(NEW.evidence_sha256) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'evidence_sha256' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.part IS NEW.part OR quote(NEW.part) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'part' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.characteristic IS NEW.characteristic OR quote(NEW.characteristic) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'characteristic' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.job IS NEW.job OR quote(NEW.job) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'job' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.low IS NEW.low OR quote(NEW.low) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'low' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.high IS NEW.high OR quote(NEW.high) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'high' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.bound IS NEW.bound OR quote(NEW.bound) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'bound' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.unit IS NEW.unit OR quote(NEW.unit) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'unit' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'answer'
      AND row_id = OLD.answer_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of answer are changed with: loadbook amend');
END;
CREATE TRIGGER answer_stays BEFORE DELETE ON answer
BEGIN
  SELECT RAISE(ABORT, 'rows of answer are never deleted; amend them instead');
END;

CREATE TRIGGER layout_kept BEFORE UPDATE ON layout
WHEN OLD.layout_id IS NOT NEW.layout_id OR NOT (
    (OLD.name IS NEW.name OR quote(NEW.name) IS (SELECT new_value FROM amendment WHERE kind = 'layout'
      AND row_id = OLD.layout_id AND column_name = 'name' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.revision IS NEW.revision OR quote(NEW.revision) IS (SELECT new_value FROM amendment WHERE kind = 'layout'
      AND row_id = OLD.layout_id AND column_name = 'revision' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.text IS NEW.text OR quote(NEW.text) IS (SELECT new_value FROM amendment WHERE kind = 'layout'
      AND row_id = OLD.layout_id AND column_name = 'text' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'layout'
      AND row_id = OLD.layout_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'layout'
      AND row_id = OLD.layout_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1)))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of layout are changed with: loadbook amend');
END;
CREATE TRIGGER layout_stays BEFORE DELETE ON layout
BEGIN
  SELECT RAISE(ABORT, 'rows of layout are never deleted; amend them instead');
END;

CREATE TRIGGER parameter_kept BEFORE UPDATE ON parameter
WHEN (OLD.source = 'stated' OR OLD.intake_id IS NOT NULL) AND (OLD.parameter_id IS NOT NEW.parameter_id OR NOT (
    (OLD.run IS NEW.run OR quote(NEW.run) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'run' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.parameter IS NEW.parameter OR quote(NEW.parameter) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'parameter' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.channel IS NEW.channel OR quote(NEW.channel) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'channel' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.value IS NEW.value OR quote(NEW.value) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'value' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.unit IS NEW.unit OR quote(NEW.unit) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'unit' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.source IS NEW.source OR quote(NEW.source) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'source' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.se IS NEW.se OR quote(NEW.se) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'se' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.at_s IS NEW.at_s OR quote(NEW.at_s) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'at_s' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.note IS NEW.note OR quote(NEW.note) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'note' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.algorithm IS NEW.algorithm OR quote(NEW.algorithm) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'algorithm' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.typed IS NEW.typed OR quote(NEW.typed) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'typed' ORDER BY amendment_id DESC LIMIT 1))
    AND
    (OLD.intake_id IS NEW.intake_id OR quote(NEW.intake_id) IS (SELECT new_value FROM amendment WHERE kind = 'parameter'
      AND row_id = OLD.parameter_id AND column_name = 'intake_id' ORDER BY amendment_id DESC LIMIT 1))))
BEGIN
  SELECT RAISE(ABORT, 'accepted values of parameter are changed with: loadbook amend');
END;
CREATE TRIGGER parameter_stays BEFORE DELETE ON parameter
WHEN (OLD.source = 'stated' OR OLD.intake_id IS NOT NULL)
BEGIN
  SELECT RAISE(ABORT, 'rows of parameter are never deleted; amend them instead');
END;

CREATE TRIGGER intake_kept BEFORE UPDATE ON intake
BEGIN
  SELECT RAISE(ABORT, 'intake is a record of what was done and is never changed');
END;
CREATE TRIGGER intake_stays BEFORE DELETE ON intake
BEGIN
  SELECT RAISE(ABORT, 'intake is a record of what was done and is never changed');
END;

CREATE TRIGGER amendment_kept BEFORE UPDATE ON amendment
BEGIN
  SELECT RAISE(ABORT, 'amendment is a record of what was done and is never changed');
END;
CREATE TRIGGER amendment_stays BEFORE DELETE ON amendment
BEGIN
  SELECT RAISE(ABORT, 'amendment is a record of what was done and is never changed');
END;

CREATE TRIGGER chain_kept BEFORE UPDATE ON chain
BEGIN
  SELECT RAISE(ABORT, 'chain is a record of what was done and is never changed');
END;
CREATE TRIGGER chain_stays BEFORE DELETE ON chain
BEGIN
  SELECT RAISE(ABORT, 'chain is a record of what was done and is never changed');
END;
