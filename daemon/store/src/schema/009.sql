-- What the pages need: who may sign in, who is signed in, what was done there, what is half typed,
-- tables of old values that were brought in, and one line an exam for lists of work.

-- People who sign in by a password of their own.
create table account (
    name          text    primary key,
    -- JSON list of words.
    roles         text    not null,
    -- Argon2id, in PHC string format.
    password      text    not null,
    created_at    text    not null,
    -- Refused passwords in a row, and until when none is looked at.
    failures      integer not null default 0,
    locked_until  text,
    -- Sessions begun before this count no more.
    signed_out_at text,
    -- Null: may sign in.
    ended_at      text
) strict, without rowid;

-- People who are signed in, by whichever way. The id of the cookie is not here, only its hash.
create table web_session (
    hash       blob not null primary key,
    account    text not null,
    -- JSON.
    content    text not null,
    ends_at    text not null
) strict, without rowid;

create index web_session_account on web_session (account);
create index web_session_ends on web_session (ends_at);

-- Who did what in the pages: signing in and out, views, entries, retries. Rows are only ever added.
create table deed (
    id             integer primary key,
    recorded_at    text    not null,
    account        text    not null,
    -- JSON list of words.
    roles          text    not null,
    address        text    not null,
    action         text    not null,
    patient_issuer text,
    patient_id     text,
    exam_id        text,
    -- Numbers and words of ours; a reason that somebody typed.
    detail         text    not null default ''
) strict;

create index deed_patient on deed (patient_id, patient_issuer) where patient_id is not null;
create index deed_account on deed (account, id);

create trigger deed_stays before update on deed
    begin select raise(abort, 'what was done is never changed'); end;
create trigger deed_is_kept before delete on deed
    begin select raise(abort, 'what was done is never taken out'); end;

-- Measurements that are typed and not signed; they belong to whoever types them.
create table measurement_draft (
    id       integer primary key,
    account  text    not null,
    saved_at text    not null,
    -- JSON.
    content  text    not null
) strict;

create index measurement_draft_account on measurement_draft (account, id);

-- A table of old values that was brought in. Rows are only ever added; that one was taken back stands
-- in the entries that took its reports back.
create table bringing (
    number      integer primary key,
    recorded_at text    not null,
    author      text    not null,
    author_kind text    not null check (author_kind in ('account', 'system_user', 'unknown')),
    entered_by  text    not null,
    reason      text    not null,
    file_name   text    not null,
    file_sha256 blob    not null,
    rows        integer not null
) strict;

create index bringing_file on bringing (file_sha256);

-- The reports that were made of its lines. A report that an earlier table brought stands under that.
create table brought (
    bringing         integer not null references bringing (number),
    line             integer not null,
    sop_instance_uid text    not null,
    primary key (bringing, line, sop_instance_uid)
) strict, without rowid;

create index brought_report on brought (sop_instance_uid);

-- The newest version of each exam as lists of work show it: made anew whenever a result is stored or
-- something is said, and never a source of anything else.
create table exam_line (
    exam_id        text    primary key,
    patient_issuer text    not null,
    patient_id     text    not null,
    version        integer not null,
    performed_at   text    not null,
    -- When its first version was made.
    first_at       text    not null,
    status         text    not null,
    flagged        integer not null,
    label          text,
    -- `new`, `acknowledged`, `settled`, `withdrawn`; null: never a rise, or nothing left to do.
    rise           text,
    -- Since when it has this.
    rise_since     text,
    -- When somebody was reminded of it, of which version.
    reminded       integer,
    history_only   integer not null,
    -- JSON: everything else that is shown.
    line           text    not null
) strict, without rowid;

create index exam_line_patient on exam_line (patient_id, patient_issuer);
create index exam_line_performed on exam_line (performed_at);
create index exam_line_rise on exam_line (rise, rise_since) where rise is not null;
create index exam_line_status on exam_line (status, performed_at);
create index exam_line_unlabelled on exam_line (performed_at) where label is null;

-- A version may go to a destination more than once: as a result, and as a reminder that nobody has
-- acknowledged its rise.
alter table delivery rename to delivery_before;
drop index delivery_result;
drop index delivery_waiting;
drop index delivery_dead;

create table delivery (
    id          integer primary key,
    destination text    not null,
    -- Versions of one patient go to a destination in the order of their rows.
    result_id   integer not null references result (id),
    -- `result`, `reminder`; of a version made of history alone `entered`: its typed reports only.
    what        text    not null default 'result' check (what in ('result', 'reminder', 'entered')),
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
    unique (destination, result_id, what)
) strict;

insert into delivery (id, destination, result_id, state, since, attempts, waited_s, due_at, failed_at,
                      stage, code, words)
    select id, destination, result_id, state, since, attempts, waited_s, due_at, failed_at, stage,
           code, words
    from delivery_before;

drop table delivery_before;

create index delivery_result on delivery (result_id);
create index delivery_waiting on delivery (destination, result_id) where state = 'waiting';
create index delivery_dead on delivery (destination) where state = 'dead';

-- Lines are made by assessing everybody once.
insert into dirty (patient_issuer, patient_id, since, mark)
    select distinct patient_issuer, patient_id, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), 1
    from result
    where true
    on conflict (patient_id, patient_issuer) do update set mark = mark + 1;
