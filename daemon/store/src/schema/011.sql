-- What statements asked JSON for stands in columns of its own, so that no statement needs JSON functions;
-- and who works on the store.

-- The word of the status that the content tells; null where the content is damaged or tells none.
alter table result add column status text;

update result set status = json_extract(content, '$.assessment.status')
    where damaged_at is null and json_valid(content)
      and json_type(content, '$.assessment.status') = 'text';

-- Why objects are in quarantine: the codes of the blocking remarks of each, one row a code. Objects that
-- are not in quarantine have none.
create table object_blocking (
    object_id integer not null references object (id),
    code      text    not null,
    primary key (object_id, code)
) strict, without rowid;

insert into object_blocking (object_id, code)
    select distinct object.id, json_extract(remark.value, '$.code')
    from object,
         json_each(case when json_valid(reading) then reading else '{}' end, '$.remarks') as remark
    where disposition = 'quarantined'
      and json_extract(remark.value, '$.severity') = 'blocking'
      and json_type(remark.value, '$.code') = 'text';

-- The daemons that share the store.
create table member (
    id        text    primary key,
    -- Grows whenever the member is put out: what it does under an earlier one is refused.
    epoch     integer not null,
    name      text    not null,
    joined_at text    not null,
    -- Until when it is believed alive, in milliseconds since 1970 by the clock of the database.
    until     integer not null
) strict, without rowid;

-- What is to be done, each by one member at a time.
create table duty (
    name   text primary key,
    -- The id of whoever does it; null: nobody.
    member text,
    -- Since when, as `until` is counted; null: nobody ever did.
    since  integer
) strict, without rowid;

create index duty_member on duty (member) where member is not null;

-- Every store counts its commits; one of an early shape that nobody has changed since begins here.
insert into meta (name, value) values ('commits', '0') on conflict (name) do nothing;
