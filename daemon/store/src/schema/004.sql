-- Bodies may be missing: dropped on purpose after a time, or found damaged. Everything else of the
-- object stays.
alter table object add column missing text check (missing in ('dropped', 'damaged'));
alter table object add column missing_since text;

-- SHA-256 of the reading; null where an earlier shape stored it.
alter table object add column reading_sha256 blob;

-- When a version was found damaged. It is not published; a further version takes its place.
alter table result add column damaged_at text;

create index object_droppable on object (received_at)
    where state = 'read' and missing is null and disposition <> 'quarantined';

create index object_missing on object (id) where missing is not null;

drop index result_unpublished;
create index result_unpublished on result (id) where published_at is null and damaged_at is null;

-- Who waits longest, without sorting everybody who waits.
create index dirty_since on dirty (since);
