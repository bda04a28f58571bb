-- Pictures may be kept without their pixels. body_bytes and body_sha256 stay those of the object as
-- received, so that the same bytes sent again are still a repeat.

-- Length and hash of the body as kept, where pixels were taken out of it; null: as received.
alter table object add column kept_bytes integer;
alter table object add column kept_sha256 blob;
