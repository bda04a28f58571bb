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
