-- Version 5: what a job is found by, without case and accents (`sought`, filled by the program, for
-- older jobs when the records are opened), and the way to a bench's latest result of a kind.
ALTER TABLE job ADD COLUMN sought TEXT;
CREATE INDEX job_sought ON job (id) WHERE sought IS NULL;
CREATE INDEX result_bench ON result (bench, kind, at);
