-- Turns a table of the service into one with parts by site. With the service stopped, all in one transaction:
--   psql "$DATABASE_URL" --single-transaction --set ON_ERROR_STOP=1 --file docs/partition-by-site.sql --file YOURS.sql
-- where YOURS.sql calls the function once a table. Keys, indexes and triggers keep the names that upgrades expect.
--
-- sites: each gets a part of its own, all others share one.  parts: instead, so many equal parts, which sites fall into
-- by a hash of their key.
CREATE FUNCTION pg_temp.partition_by_site(parted text, sites text[], parts int DEFAULT 0) RETURNS void
LANGUAGE plpgsql AS $$
DECLARE
    rest text := parted || '_rest';
    part text;
    made text[];
    keys text[];
    watches text[];
    one record;
    statement text;
BEGIN
    -- What is defined now, to be defined again for the whole.
    SELECT array_agg(format('ALTER TABLE %I ADD CONSTRAINT %I %s', parted, conname, pg_get_constraintdef(oid)))
        INTO keys FROM pg_constraint WHERE conrelid = parted::regclass AND contype IN ('p', 'u', 'f', 'c');
    SELECT keys || array_agg(pg_get_indexdef(indexrelid)) INTO keys FROM pg_index
        WHERE indrelid = parted::regclass AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid);
    SELECT array_agg(pg_get_triggerdef(oid, true)) INTO watches FROM pg_trigger
        WHERE tgrelid = parted::regclass AND NOT tgisinternal;

    -- The table as it is gives its names away and becomes the part of all other sites.
    FOR one IN SELECT conname AS name FROM pg_constraint
        WHERE conrelid = parted::regclass AND contype IN ('p', 'u', 'f', 'c')
    LOOP
        EXECUTE format('ALTER TABLE %I RENAME CONSTRAINT %I TO %I', parted, one.name, 'rest_' || one.name);
    END LOOP;
    FOR one IN SELECT c.relname AS name FROM pg_index JOIN pg_class c ON c.oid = indexrelid
        WHERE indrelid = parted::regclass AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid)
    LOOP
        EXECUTE format('ALTER INDEX %I RENAME TO %I', one.name, 'rest_' || one.name);
    END LOOP;
    FOR one IN SELECT tgname AS name FROM pg_trigger WHERE tgrelid = parted::regclass AND NOT tgisinternal
    LOOP
        EXECUTE format('DROP TRIGGER %I ON %I', one.name, parted);
    END LOOP;
    EXECUTE format('ALTER TABLE %I RENAME TO %I', parted, rest);

    EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING STORAGE) PARTITION BY %s (site)',
        parted, rest, CASE WHEN parts > 0 THEN 'HASH' ELSE 'LIST' END);
    FOR number IN 1 .. greatest(parts, cardinality(sites)) LOOP
        part := parted || '_' || CASE WHEN parts > 0 THEN number::text
            ELSE regexp_replace(lower(sites[number]), '[^a-z0-9]', '_', 'g') END;
        made := made || part;
        EXECUTE format('CREATE TABLE %I PARTITION OF %I FOR VALUES ', part, parted) || CASE WHEN parts > 0
            THEN format('WITH (MODULUS %s, REMAINDER %s)', parts, number - 1) ELSE format('IN (%L)', sites[number]) END;
    END LOOP;
    EXECUTE format('INSERT INTO %I SELECT * FROM %I WHERE %s > 0 OR site = ANY (%L)', parted, rest, parts, sites);
    EXECUTE format('DELETE FROM %I WHERE %s > 0 OR site = ANY (%L)', rest, parts, sites);
    FOREACH statement IN ARRAY keys LOOP
        EXECUTE statement;
    END LOOP;
    IF parts > 0 THEN
        EXECUTE format('DROP TABLE %I', rest);
    ELSE
        EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I DEFAULT', parted, rest);
        made := made || rest;
    END IF;

    -- A trigger for each row is passed on to the parts by PostgreSQL, one for each statement is not.
    FOREACH statement IN ARRAY coalesce(watches, '{}') LOOP
        EXECUTE statement;
        CONTINUE WHEN statement !~ 'FOR EACH STATEMENT';
        FOREACH part IN ARRAY made LOOP
            EXECUTE replace(statement, format(' ON %I ', parted), format(' ON %I ', part));
        END LOOP;
    END LOOP;
END
$$;
