-- What Mosquitto must know of a gateway: it reads no bcrypt.
ALTER TABLE gateway ADD COLUMN secret_mosquitto text;
-- PBKDF2 hash of the broker password; null: registered before this column, to be rotated first

-- Whoever changes the one hash and forgets the other must not leave the old password valid.
CREATE FUNCTION gateway_secret_changed() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.secret_mosquitto IS NOT DISTINCT FROM OLD.secret_mosquitto THEN
        NEW.secret_mosquitto := NULL;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER gateway_secret_changed BEFORE UPDATE OF secret_bcrypt ON gateway
    FOR EACH ROW WHEN (NEW.secret_bcrypt IS DISTINCT FROM OLD.secret_bcrypt)
    EXECUTE FUNCTION gateway_secret_changed();
