-- Version 4: what was put right later, by whom and when, and what stood there before.
CREATE TABLE correction (
    id {id},
    job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    by_whom TEXT NOT NULL,
    part TEXT NOT NULL,
    place INTEGER,
    field TEXT NOT NULL,
    before TEXT NOT NULL,
    after TEXT NOT NULL
);
CREATE INDEX correction_job ON correction (job_id);
