-- The words of notes about customers: all that is ever erased, by an entry that says so.
CREATE TABLE drivecare.note (
    job text,
    number integer,
    data bytea NOT NULL,
    PRIMARY KEY (job, number),
    FOREIGN KEY (job, number) REFERENCES drivecare.result
);
GRANT SELECT, INSERT ON drivecare.note TO {bench};

-- Files an entry and erases what it says that it erased. It runs with the rights of the record's owner, since no bench
-- may delete anything itself; who filed the entry is the bench still.
CREATE FUNCTION drivecare.file_and_erase(job text, number integer, name text, data bytea, token uuid) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    IF name !~ '^[0-9]+-(closing|withdrawal)-' THEN
        RAISE EXCEPTION '% is no entry that may erase', name;
    END IF;
    INSERT INTO drivecare.result (job, number, name, data, token) VALUES (job, number, name, data, token);
    DELETE FROM drivecare.note WHERE note.job = file_and_erase.job AND note.number IN (
        SELECT jsonb_array_elements_text(convert_from(file_and_erase.data, 'UTF8')::jsonb -> 'erased')::integer
    );
END $$;
REVOKE ALL ON FUNCTION drivecare.file_and_erase FROM PUBLIC;
GRANT EXECUTE ON FUNCTION drivecare.file_and_erase TO {bench};

-- A line of a list depends on more than the version: on whatever works it out.
ALTER TABLE drivecare.summary RENAME COLUMN tool_version TO worked_out_by;
