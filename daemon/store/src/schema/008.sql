-- What people say of exams and patients. Rows are only ever added; what counts is worked out from all
-- of them: an entry counts until another one names it.
create table entry (
    id                 integer primary key,
    -- Entries of one command share one number.
    act                integer not null,
    patient_issuer     text    not null,
    patient_id         text    not null,
    -- `label`, `event`, `pressure`; further kinds may come.
    kind               text    not null,
    -- For what it was given: the study and, as JSON, the readings; empty for all of the study.
    study_instance_uid text,
    readings           text    not null default '[]',
    -- Or the day.
    date               text,
    -- Null: the entry that it names counts no more.
    value              text,
    -- UCUM code, of a pressure.
    unit               text,
    recorded_at        text    not null,
    author             text    not null,
    author_kind        text    not null check (author_kind in ('account', 'system_user', 'unknown')),
    entered_by         text    not null,
    -- `command`, `table`, `demo`, `earlier`.
    source             text    not null,
    reason             text    not null,
    -- The entry that it mends or takes back. It stands under the same id and came before.
    corrects           integer references entry (id),
    check (corrects < id),
    check (value is not null or corrects is not null)
) strict;

create index entry_patient on entry (patient_id, patient_issuer);
create index entry_corrects on entry (corrects) where corrects is not null;
create index entry_act on entry (act);

-- In the order in which they were recorded, each an act of its own.
insert into entry (id, act, patient_issuer, patient_id, kind, study_instance_uid, date, value, unit,
                   recorded_at, author, author_kind, entered_by, source, reason)
    select number, number, patient_issuer, patient_id, kind, study_instance_uid, date, value, unit,
           set_at, '', 'unknown', '', 'earlier', 'recorded before authors were kept'
    from (select row_number() over (order by set_at, kind, patient_id, patient_issuer,
                                    study_instance_uid, date, value) as number, *
          from (select patient_issuer, patient_id, 'label' as kind, study_instance_uid, null as date,
                       label as value, null as unit, set_at from label
                union all
                select patient_issuer, patient_id, 'event', null, date, kind, null, set_at from event
                union all
                select patient_issuer, patient_id, 'pressure', study_instance_uid, null, value, unit,
                       set_at from pressure))
    order by number;

drop table label;
drop table event;
drop table pressure;

create trigger entry_stays before update on entry
    begin select raise(abort, 'what people said is never changed'); end;
create trigger entry_is_kept before delete on entry
    begin select raise(abort, 'what people said is never taken out'); end;
