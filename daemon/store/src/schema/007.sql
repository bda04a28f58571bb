-- One row each time what was read of an object became another: which object, the how manieth reading
-- of it, and when. Numbers rise in the order of the commits and rows are only ever added, so whoever
-- knows one number finds all that became known since.
create table reading_change (
    id        integer primary key,
    object_id integer not null references object (id),
    -- From 1.
    version   integer not null,
    -- Null where an earlier shape stored the reading: the time was not kept.
    read_at   text
) strict;

create unique index reading_change_object on reading_change (object_id, version);

-- By an index, since the rows of `object` carry their bodies.
insert into reading_change (object_id, version)
    select id, 1 from object indexed by object_disposition
    where disposition is not null order by id;
-- The history of archives. Of an object that came from there alone: its results are not delivered if
-- the exam was more than so many days old when it came. Null: it came by itself as well, or what
-- comes from that archive is delivered like anything else.
alter table object add column quiet_after_days integer;

-- Objects got from an archive, by the UID they were asked by: what was not read yet is known by that.
create table archived (
    sop_instance_uid text    primary key,
    object_id        integer not null references object (id)
) strict, without rowid;

create index archived_object on archived (object_id);

-- Days of studies of which everything an archive names is stored.
create table archive_day (
    archive     text not null,
    day         text not null,
    finished_at text not null,
    primary key (archive, day)
) strict, without rowid;
