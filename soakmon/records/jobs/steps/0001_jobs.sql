-- Version 1. A step is never changed once released: what comes after is a new file.
-- {id} stands for the database's own counting primary key.
CREATE TABLE job_counter (
    year INTEGER NOT NULL PRIMARY KEY,
    last INTEGER NOT NULL
);
CREATE TABLE job (
    id {id},
    number TEXT NOT NULL UNIQUE,
    created TIMESTAMP NOT NULL,
    customer TEXT NOT NULL,
    machine TEXT NOT NULL,
    rack TEXT NOT NULL,
    carb_count INTEGER NOT NULL CHECK (carb_count BETWEEN 1 AND 8)
);
CREATE TABLE carb (
    id {id},
    job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    jets JSON NOT NULL,
    mixture_turns DOUBLE PRECISION,
    mixture_turns_book DOUBLE PRECISION,
    float_height_mm DOUBLE PRECISION,
    float_height_low_mm DOUBLE PRECISION,
    float_height_high_mm DOUBLE PRECISION,
    float_shaken_dry BOOLEAN,
    needle_seat_renewed BOOLEAN,
    bowl_gasket_renewed BOOLEAN,
    drain_oring_renewed BOOLEAN,
    overflow_lip TEXT,
    accelerator_pump TEXT,
    air_cutoff TEXT,
    notes TEXT,
    UNIQUE (job_id, place)
);
CREATE TABLE checklist (
    id {id},
    job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    task TEXT NOT NULL,
    done_by TEXT,
    done_at TIMESTAMP,
    UNIQUE (job_id, place)
);
CREATE TABLE note (
    id {id},
    job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    carb INTEGER,
    text TEXT NOT NULL
);
CREATE TABLE result (
    id {id},
    job_id INTEGER REFERENCES job (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    kind TEXT NOT NULL,
    summary TEXT NOT NULL,
    data JSON NOT NULL
);
CREATE INDEX result_kind ON result (kind, at);
CREATE TABLE attachment (
    id {id},
    job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
    result_id INTEGER REFERENCES result (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    caption TEXT NOT NULL
);
