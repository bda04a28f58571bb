-- What people and other systems state of two patient ids: that the first was merged into the second,
-- or that this was taken back. Rows are only ever added; what is in force is worked out from all of
-- them.
create table id_statement (
    id          integer primary key,
    act         text not null check (act in ('merge', 'unmerge')),
    from_issuer text not null,
    from_id     text not null,
    into_issuer text not null,
    into_id     text not null,
    -- When it was decided, as whoever states it says.
    stated_at   text not null,
    recorded_at text not null,
    -- `command`, `table`, or `hl7:` and the address it came from.
    source      text not null,
    -- Control id of the message; '' for none.
    message     text not null,
    who         text not null,
    why         text not null,
    check (from_id <> into_id or from_issuer <> into_issuer),
    -- The same statement again is a repeat.
    unique (from_id, from_issuer, into_id, into_issuer, act, stated_at, source, message)
) strict;

create index id_statement_into on id_statement (into_id, into_issuer);
