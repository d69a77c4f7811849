-- Version 2: which bench a result was made on (a calibration holds for its own bench only), and
-- indexes for long records.
ALTER TABLE result ADD COLUMN bench TEXT;
CREATE INDEX result_job ON result (job_id, at);
CREATE INDEX note_job ON note (job_id);
CREATE INDEX attachment_job ON attachment (job_id);
CREATE INDEX job_created ON job (created);
