-- Lists of work by columns, so that none reads the text of every line; and what one report leaves
-- unexplained, kept once for all reports that are alike in it.

alter table exam_line rename to exam_line_before;
drop index exam_line_patient;
drop index exam_line_performed;
drop index exam_line_rise;
drop index exam_line_status;
drop index exam_line_unlabelled;

create table exam_line (
    exam_id        text    primary key,
    patient_issuer text    not null,
    patient_id     text    not null,
    version        integer not null,
    performed_at   text    not null,
    -- When its first version was made: when it came.
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
    -- `first`: there is nothing earlier to compare it with; `other`: it has another reason. Null: it was
    -- compared, it is history, or it is told no more.
    uncompared     text check (uncompared in ('first', 'other')),
    -- 1: somebody may label it, and nobody has.
    unlabelled     integer not null,
    operator       text,
    device         text,
    location       text,
    accession      text,
    -- JSON: everything that is shown.
    line           text    not null
) strict, without rowid;

insert into exam_line (exam_id, patient_issuer, patient_id, version, performed_at, first_at, status,
                       flagged, label, rise, rise_since, reminded, history_only, uncompared,
                       unlabelled, operator, device, location, accession, line)
    select exam_id, patient_issuer, patient_id, version, performed_at, first_at, status,
           flagged, label, rise, rise_since, reminded, history_only,
           -- Which of them have nothing earlier, their results say; see below.
           case when history_only = 0 and status in ('no_baseline', 'not_comparable') then 'other' end,
           case when label is null and history_only = 0 and status <> 'withdrawn' then 1 else 0 end,
           json_extract(line, '$.operator'), json_extract(line, '$.device'),
           json_extract(line, '$.location'), json_extract(line, '$.accession'), line
    from exam_line_before;

drop table exam_line_before;

create index exam_line_patient on exam_line (patient_id, patient_issuer);
create index exam_line_status on exam_line (status);
create index exam_line_rise on exam_line (rise, rise_since) where rise is not null;
-- By when they came and by when they were done, each with all that is chosen by: a list is counted and
-- its page is found without a look at a line.
create index exam_line_uncompared_came
    on exam_line (uncompared, first_at, operator, device, location) where uncompared is not null;
create index exam_line_uncompared_done
    on exam_line (uncompared, performed_at, operator, device, location) where uncompared is not null;
create index exam_line_unlabelled_came
    on exam_line (first_at, operator, device, location) where unlabelled = 1;
create index exam_line_unlabelled_done
    on exam_line (performed_at, operator, device, location) where unlabelled = 1;
create index exam_line_operator on exam_line (operator) where operator is not null;
create index exam_line_device on exam_line (device) where device is not null;
create index exam_line_location on exam_line (location) where location is not null;
create index exam_line_accession on exam_line (accession) where accession is not null;

-- Lines that say why there is no comparison are made by assessing these patients once.
insert into dirty (patient_issuer, patient_id, since, mark)
    select distinct patient_issuer, patient_id, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), 1
    from exam_line
    where uncompared is not null
    on conflict (patient_id, patient_issuer) do update set mark = mark + 1;

-- What one report leaves unexplained, without its values: reports that are alike in it share one. Never
-- a source of anything but the list of unknown codes.
create table gist (
    id      integer primary key,
    -- SHA-256 of the content.
    hash    blob    not null unique,
    -- JSON: sender, codes, and whether values were left unread.
    content text    not null
) strict;

-- Null: it leaves nothing, it is a repeat, or it was not looked at yet.
alter table object add column gist integer references gist (id);
create index object_gist on object (gist, id) where gist is not null;

-- Readings of before are looked at in small steps: the first and the last number that is left.
insert into meta (name, value)
    select 'gists_wanted', '1 ' || last
    from (select max(id) as last from object where reading is not null) as newest
    where last is not null;
