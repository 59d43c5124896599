-- A record that several benches share. Those who file hold the role {bench} and may add and read, nothing else.
CREATE SCHEMA drivecare;

-- The files of this folder that were applied.
CREATE TABLE drivecare.migration (
    number integer PRIMARY KEY,
    applied_at timestamptz NOT NULL DEFAULT now()
);

-- A job, and when its first result was filed. Where its chain is missing it was opened before there were chains.
CREATE TABLE drivecare.job (
    id text PRIMARY KEY CHECK (id ~ '^[A-Za-z0-9][A-Za-z0-9._-]*$' AND length(id) <= 64),
    filed_at timestamptz NOT NULL,
    chained boolean NOT NULL
);
CREATE INDEX job_in_order ON drivecare.job (filed_at, id);

-- A result byte for byte. Whoever filed it, and when it arrived, the server says, not the bench; the token tells a
-- result that is pushed a second time.
CREATE TABLE drivecare.result (
    job text REFERENCES drivecare.job,
    number integer CHECK (number BETWEEN 1 AND 99999),
    name text NOT NULL,
    data bytea NOT NULL,
    token uuid NOT NULL UNIQUE,
    bench text NOT NULL DEFAULT session_user,
    arrived_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (job, number),
    UNIQUE (job, name)
);
ALTER TABLE drivecare.result ALTER COLUMN data SET STORAGE EXTERNAL;

-- The chain: line N is that of result N, so that none can be given twice and the chain cannot fork.
CREATE TABLE drivecare.line (
    job text,
    number integer,
    line bytea NOT NULL,
    PRIMARY KEY (job, number),
    FOREIGN KEY (job, number) REFERENCES drivecare.result
);

-- Holds every line, whatever program writes it, to the result it is about and to the line before it.
CREATE FUNCTION drivecare.check_line() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog AS $$
DECLARE
    filed record;
    former bytea;
BEGIN
    SELECT name, data INTO filed FROM drivecare.result WHERE job = NEW.job AND number = NEW.number;
    SELECT line INTO former FROM drivecare.line WHERE job = NEW.job AND number = NEW.number - 1;
    IF NEW.line IS DISTINCT FROM convert_to(
        lpad(NEW.number::text, greatest(4, length(NEW.number::text)), '0') || ' ' || filed.name || ' '
        || encode(sha256(filed.data), 'hex') || ' '
        || CASE WHEN NEW.number = 1 THEN repeat('0', 64) ELSE encode(sha256(former), 'hex') END || E'\n', 'UTF8')
    THEN
        RAISE EXCEPTION 'line % of job % does not follow from the record', NEW.number, NEW.job;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER check_line BEFORE INSERT ON drivecare.line FOR EACH ROW EXECUTE FUNCTION drivecare.check_line();

-- Every name of every drive that was read in a job, to look it up by.
CREATE TABLE drivecare.drive (
    name text,
    job text REFERENCES drivecare.job,
    PRIMARY KEY (name, job)
);

-- What a list shows of a job with so many results, by the drivecare that worked it out; derived, and never corrected.
CREATE TABLE drivecare.summary (
    job text REFERENCES drivecare.job,
    results integer,
    tool_version text,
    judged_at timestamptz,
    holds_until timestamptz,
    line bytea NOT NULL,
    PRIMARY KEY (job, results, tool_version, judged_at)
);

GRANT USAGE ON SCHEMA drivecare TO {bench};
GRANT SELECT ON ALL TABLES IN SCHEMA drivecare TO {bench};
GRANT INSERT ON drivecare.job, drivecare.line, drivecare.drive, drivecare.summary TO {bench};
GRANT INSERT (job, number, name, data, token) ON drivecare.result TO {bench};
