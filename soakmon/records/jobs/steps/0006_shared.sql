-- Version 6: many benches on one server. Shops are apart, and attachments lie where all of a shop's
-- benches reach them. It only adds: programs that know version 5 go on beside it.
ALTER TABLE job ADD COLUMN shop TEXT NOT NULL DEFAULT '';
ALTER TABLE result ADD COLUMN shop TEXT NOT NULL DEFAULT '';
CREATE TABLE attachment_block (
    shop TEXT NOT NULL DEFAULT '',
    sha256 TEXT NOT NULL,
    place INTEGER NOT NULL,
    data {bytes} NOT NULL,
    PRIMARY KEY (shop, sha256, place)
);
-- on postgresql
-- Which role is of which shop is written by whoever enrols benches; who is not in it and owns the
-- tables sees all, as before. session_user: within the function the current user is its owner.
CREATE TABLE bench_role (
    role TEXT NOT NULL PRIMARY KEY,
    shop TEXT NOT NULL,
    bench TEXT NOT NULL
);
CREATE FUNCTION own_shop() RETURNS TEXT LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path FROM CURRENT
    AS 'SELECT shop FROM bench_role WHERE role = session_user';
ALTER TABLE job ALTER COLUMN shop SET DEFAULT coalesce(own_shop(), '');
ALTER TABLE result ALTER COLUMN shop SET DEFAULT coalesce(own_shop(), '');
ALTER TABLE attachment_block ALTER COLUMN shop SET DEFAULT coalesce(own_shop(), '');
ALTER TABLE job ENABLE ROW LEVEL SECURITY;
ALTER TABLE result ENABLE ROW LEVEL SECURITY;
ALTER TABLE attachment_block ENABLE ROW LEVEL SECURITY;
ALTER TABLE carb ENABLE ROW LEVEL SECURITY;
ALTER TABLE checklist ENABLE ROW LEVEL SECURITY;
ALTER TABLE note ENABLE ROW LEVEL SECURITY;
ALTER TABLE attachment ENABLE ROW LEVEL SECURITY;
ALTER TABLE correction ENABLE ROW LEVEL SECURITY;
-- The sub-selects are reckoned once a query, not once a row.
CREATE POLICY of_shop ON job USING (shop = (SELECT own_shop()));
CREATE POLICY of_shop ON result USING (shop = (SELECT own_shop()));
CREATE POLICY of_shop ON attachment_block USING (shop = (SELECT own_shop()));
-- A job that cannot be seen is not there, nor is what belongs to it.
CREATE POLICY of_job ON carb USING (EXISTS (SELECT 1 FROM job WHERE job.id = job_id));
CREATE POLICY of_job ON checklist USING (EXISTS (SELECT 1 FROM job WHERE job.id = job_id));
CREATE POLICY of_job ON note USING (EXISTS (SELECT 1 FROM job WHERE job.id = job_id));
CREATE POLICY of_job ON attachment USING (EXISTS (SELECT 1 FROM job WHERE job.id = job_id));
CREATE POLICY of_job ON correction USING (EXISTS (SELECT 1 FROM job WHERE job.id = job_id));
CREATE INDEX job_shop ON job (shop, created);
