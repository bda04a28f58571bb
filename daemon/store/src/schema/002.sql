-- Opening pressure of an exam, as a person recorded it: digits as typed, unit as its UCUM code.
create table pressure (
    patient_issuer     text not null,
    patient_id         text not null,
    study_instance_uid text not null,
    value              text not null,
    unit               text not null,
    set_at             text not null,
    primary key (patient_id, patient_issuer, study_instance_uid)
) strict, without rowid;
