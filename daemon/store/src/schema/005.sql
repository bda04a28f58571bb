-- One version of a result on its way to one destination. Made in the commit that marks the version
-- published.
create table delivery (
    id          integer primary key,
    destination text    not null,
    -- Versions of one patient go to a destination in the order of their rows.
    result_id   integer not null references result (id),
    state       text    not null default 'waiting'
                check (state in ('waiting', 'delivered', 'dead', 'dropped')),
    -- Since when it has its state; a waiting one since it was made, or was made to wait again.
    since       text    not null,
    -- Failures since then.
    attempts    integer not null default 0,
    -- Seconds it was put off in all: what it is given up by. No clock can change it.
    waited_s    integer not null default 0,
    -- Not before; null: at once.
    due_at      text,
    -- The last failure; it stays when a further attempt succeeds.
    failed_at   text,
    stage       text,
    code        text,
    words       text,
    unique (destination, result_id)
) strict;

create index delivery_result on delivery (result_id);
create index delivery_waiting on delivery (destination, result_id) where state = 'waiting';
create index delivery_dead on delivery (destination) where state = 'dead';
