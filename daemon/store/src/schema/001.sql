-- The first shape of the store. A shape that was released is never edited; a change is a new file.

-- One DICOM instance as received, byte for byte.
create table object (
    id                 integer primary key,
    -- zlib; the hash and the length are those of the bytes before compression.
    body               blob    not null,
    body_bytes         integer not null,
    body_sha256        blob    not null,
    -- Null: the body is a Part 10 file, which names its transfer syntax itself.
    transfer_syntax    text,
    -- Where it came from: `dicom:` and the calling AE title, or `folder`.
    source             text    not null,
    -- Issuer of patient ids that the configuration names for this source; '' for none.
    default_issuer     text    not null,
    received_at        text    not null,
    -- How often the same bytes came again.
    repeats            integer not null default 0,
    state              text    not null default 'received' check (state in ('received', 'read')),
    -- All below is known once the object was read.
    sop_instance_uid   text,
    content_sha256     text,
    disposition        text check (disposition in ('accepted', 'accepted_with_remarks',
                                   'no_sheath_measurement', 'quarantined', 'repeat')),
    patient_issuer     text,
    patient_id         text,
    study_instance_uid text,
    reading            text
) strict;

-- The transfer syntax is part of the identity: the same bytes sent again under another one mean
-- something else, and would be dropped silently if the bytes alone counted.
create unique index object_body on object (body_sha256, ifnull(transfer_syntax, ''));
create index object_unread on object (id) where state = 'received';
create index object_sop on object (sop_instance_uid) where sop_instance_uid is not null;
create index object_patient on object (patient_id, patient_issuer) where patient_id is not null;
create index object_study on object (study_instance_uid) where study_instance_uid is not null;
create index object_disposition on object (disposition, id);

-- What a person says of an exam.
create table label (
    patient_issuer     text not null,
    patient_id         text not null,
    study_instance_uid text not null,
    label              text not null,
    set_at             text not null,
    primary key (patient_id, patient_issuer, study_instance_uid)
) strict, without rowid;

-- A dated fact of the patient.
create table event (
    patient_issuer text not null,
    patient_id     text not null,
    date           text not null,
    kind           text not null,
    set_at         text not null,
    primary key (patient_id, patient_issuer, date, kind)
) strict, without rowid;

-- Patients whose exams wait to be assessed again. The mark grows each time, so that whoever
-- finishes an assessment sees whether something arrived meanwhile.
create table dirty (
    patient_issuer text    not null,
    patient_id     text    not null,
    since          text    not null,
    mark           integer not null,
    primary key (patient_id, patient_issuer)
) strict, without rowid;

-- One version of one exam's result.
create table result (
    id             integer primary key,
    exam_id        text    not null,
    version        integer not null,
    key            text    not null,
    content        text    not null,
    why            text    not null,
    supersedes     integer,
    created_at     text    not null,
    published_at   text,
    patient_issuer text    not null,
    patient_id     text    not null,
    unique (exam_id, version)
) strict;

create index result_unpublished on result (id) where published_at is null;
create index result_patient on result (patient_id, patient_issuer);

create table meta (
    name  text primary key,
    value text not null
) strict, without rowid;
