-- The first shape of the spool. A shape that was released is never edited; a change is a new file.

create table meta (
    name  text primary key,
    value text not null
) strict, without rowid;

-- Tells this spool from all others.
insert into meta (name, value) values ('spool_id', lower(hex(randomblob(16))));

-- What was received and is not known to be in the database yet, as it goes there.
create table waiting (
    -- In the order of arrival; none comes twice.
    number           integer primary key autoincrement,
    -- zlib; the hash and the length are those of the bytes before compression.
    body             blob    not null,
    body_bytes       integer not null,
    body_sha256      blob    not null,
    transfer_syntax  text,
    source           text    not null,
    default_issuer   text    not null,
    received_at      text    not null,
    quiet_after_days integer,
    -- Since when it is set aside, and why: the database took others and not this one.
    aside_since      text,
    aside_why        text,
    check ((aside_since is null) = (aside_why is null))
) strict;

create index waiting_next on waiting (number) where aside_since is null;
create index waiting_aside on waiting (number) where aside_since is not null;

-- How much there is, by whether it is set aside.
create table amount (
    is_aside integer primary key check (is_aside in (0, 1)),
    objects  integer not null check (objects >= 0),
    bytes    integer not null check (bytes >= 0)
) strict;
insert into amount (is_aside, objects, bytes) values (0, 0, 0), (1, 0, 0);

create trigger waiting_came after insert on waiting
begin
    update amount set objects = objects + 1, bytes = bytes + length(new.body)
        where is_aside = (new.aside_since is not null);
end;

create trigger waiting_went after delete on waiting
begin
    update amount set objects = objects - 1, bytes = bytes - length(old.body)
        where is_aside = (old.aside_since is not null);
end;

create trigger waiting_moved after update of aside_since on waiting
begin
    update amount set objects = objects - 1, bytes = bytes - length(old.body)
        where is_aside = (old.aside_since is not null);
    update amount set objects = objects + 1, bytes = bytes + length(new.body)
        where is_aside = (new.aside_since is not null);
end;
