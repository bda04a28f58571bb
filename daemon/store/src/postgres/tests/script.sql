-- Whether a server does what the store of Sheathline needs of it, and answers as PostgreSQL does.
--
-- Run it by psql (11 or newer) against an empty database of that server, made for this and dropped afterwards:
--
--     export PGHOST=... PGPORT=... PGUSER=... PGDATABASE=... PGPASSFILE=...
--     psql -X -q -A -t -f check.sql > answers 2> words
--     sed -n 's/^--= //p' check.sql | diff - answers && echo as expected
--
-- Each line --= is the answer expected at its place. diff names those that are other ones or missing, and the
-- file `words` holds what the server said. The connection stands in variables, since parts of it open a
-- second one. Do not edit: a test writes it from the statements of the program.

\set ON_ERROR_STOP off
\set VERBOSITY sqlstate
\pset null (nothing)
\setenv PGHOST :HOST
\setenv PGPORT :PORT
\setenv PGUSER :USER
\setenv PGDATABASE :DBNAME

-- What is set on each connection.
\echo database: empty
--= database: empty
select 'it holds ' || table_name from information_schema.tables where table_schema = current_schema();
select 'server_encoding: ' || current_setting('server_encoding');
--= server_encoding: UTF8
@LIMITS@
\echo limits: :SQLSTATE
--= on
--= limits: 00000

-- The tables.
@SHAPE@

-- Every statement of the program: prepared with values of no kind named, and run with empty ones where that
-- meets no row. The first word is the start of its SHA-256.
@STATEMENTS@

-- What belongs to a server alone.
@SERVER@

-- Numbers of rows come from the server, and go on behind those that were brought.
insert into gist (hash, content) values (decode('01', 'hex'), 'a') returning 'identity: ' || id;
--= identity: 1
insert into gist (id, hash, content) values (900, decode('02', 'hex'), 'b') returning 'identity given: ' || id;
--= identity given: 900
@NUMBER_ON@
\echo identity moved on: :SQLSTATE
--= identity moved on: 00000
insert into gist (hash, content) values (decode('03', 'hex'), 'c') returning 'identity after: ' || id;
--= identity after: 901

-- Errors by their codes.
insert into gist (hash, content) values (decode('03', 'hex'), 'c');
\echo twice: :SQLSTATE
--= twice: 23505
insert into gist (hash) values (decode('04', 'hex'));
\echo nothing: :SQLSTATE
--= nothing: 23502
insert into reading_change (object_id, version) values (12345, 1);
\echo no such row: :SQLSTATE
--= no such row: 23503
insert into id_statement (act, from_issuer, from_id, into_issuer, into_id, stated_at, recorded_at, source, message, who, why)
    values ('other', '', 'a', '', 'b', '', '', '', '', '', '');
\echo check: :SQLSTATE
--= check: 23514
create table meta (name text);
\echo table twice: :SQLSTATE
--= table twice: 42P07
select none from meta;
\echo no such column: :SQLSTATE
--= no such column: 42703
select 9223372036854775807 + cast(1 as bigint);
\echo too large: :SQLSTATE
--= too large: 22003

-- on conflict, with what it returns and how many rows it meets.
insert into gist (hash, content) values (decode('03', 'hex'), 'd') on conflict (hash) do nothing;
\echo passed over: :ROW_COUNT
--= passed over: 0
insert into meta (name, value) values ('x', '1')
    on conflict (name) do update set value = excluded.value returning 'first: ' || value;
--= first: 1
insert into meta (name, value) values ('x', '2')
    on conflict (name) do update set value = excluded.value returning 'second: ' || value;
--= second: 2
insert into meta (name, value) values ('x', '3')
    on conflict (name) do update set value = meta.value || excluded.value where meta.value <> '2';
\echo kept: :ROW_COUNT
--= kept: 0
insert into object (body, body_bytes, body_sha256, source, default_issuer, received_at)
    values (decode('00ff', 'hex'), 2, decode('aa', 'hex'), 'folder', '', 't') returning 'object: ' || state;
--= object: received
insert into object (body, body_bytes, body_sha256, source, default_issuer, received_at)
    values (decode('00ff', 'hex'), 2, decode('aa', 'hex'), 'folder', '', 't')
    on conflict (body_sha256, coalesce(transfer_syntax, '')) do update set repeats = object.repeats + 1
    returning 'repeats: ' || repeats;
--= repeats: 1
with last (version) as (select max(version) from result where exam_id = 'e')
    insert into result (exam_id, version, key, content, why, supersedes, created_at, patient_issuer, patient_id)
    select 'e', coalesce(version, 0) + 1, 'k', '', '', version, 't', '', 'p' from last
    returning 'version: ' || version;
--= version: 1

-- Text: order and equality of bytes, and what holds any length.
delete from meta where name = 'x';
insert into meta (name, value) values ('b', ''), ('A', ''), ('a', ''), ('B', ''), (U&'\00E9', ''), (U&'e\0301', ''),
    (U&'\+01F9E0', ''), (U&'\FF21', ''), ('a b', ''), ('a-b', ''), (E'\x01\x02', ''), ('_', ''), ('a9', ''), ('a10', '');
select 'order: ' || string_agg(encode(convert_to(name, 'UTF8'), 'hex'), ' ' order by name)
    from meta where name <> 'commits';
--= order: 0102 41 42 5f 61 612062 612d62 613130 6139 62 65cc81 c3a9 efbca1 f09fa7a0
select 'range: ' || count(*) from meta where name >= 'a' and name < 'b';
--= range: 5
select 'least and most: ' || encode(convert_to(min(name) || ' ' || max(name), 'UTF8'), 'hex')
    from meta where name <= 'z' and name >= 'A';
--= least and most: 412065cc81
insert into object (body, body_bytes, body_sha256, source, default_issuer, received_at, sop_instance_uid, study_instance_uid)
    values (decode('00', 'hex'), 1, decode('ab', 'hex'), repeat('long ', 20000), '', 't', repeat('1.2', 20000), '1');
select 'long text: ' || length(source) from object where sop_instance_uid = repeat('1.2', 20000);
--= long text: 100000
select 'nought: ' || chr(0);
\echo nought: :SQLSTATE
--= nought: 54000

-- Bytes.
select 'bytes: ' || encode(body, 'hex') || ' ' || length(body) from object where body_sha256 = decode('aa', 'hex');
--= bytes: 00ff 2
select 'order of bytes: ' || string_agg(encode(hash, 'hex'), ' ' order by hash) from gist;
--= order of bytes: 01 02 03
update object set body = decode(repeat('5a', 16777216), 'hex') where body_sha256 = decode('ab', 'hex');
select 'sixteen million bytes: ' || length(body) from object where body_sha256 = decode('ab', 'hex');
--= sixteen million bytes: 16777216

-- Numbers at their edges.
insert into duty (name, since) values ('most', 9223372036854775807), ('least', -9223372036854775808);
select 'edges: ' || string_agg(cast(since as text), ' ' order by since) from duty;
--= edges: -9223372036854775808 9223372036854775807
select 'sum: ' || cast(sum(repeats) as bigint) || ', ' || cast('7' as bigint) from object;
--= sum: 1, 7

-- Nothing, rows as values, parts of an answer.
insert into duty (name, since) values ('never', null), ('now', 5);
select 'nothing first: ' || string_agg(name, ' ' order by since nulls first) from duty;
--= nothing first: never least now most
select 'nothing last: ' || string_agg(name, ' ' order by since desc nulls last) from duty;
--= nothing last: most now least never
select 'not distinct: ' || count(*) from duty where since is not distinct from null;
--= not distinct: 1
select 'behind: ' || name from duty where (since, name) > (4, 'z') order by since, name limit 1 offset 0;
--= behind: now
select 'second: ' || name from duty order by name limit 1 offset 1;
--= second: most
select 'groups: ' || case when since > 0 then 'above' else 'other' end || ' ' || count(*) from duty
    group by case when since > 0 then 'above' else 'other' end order by 1;
--= groups: above 2
--= groups: other 2
update duty set since = 6 where name = 'now';
\echo changed: :ROW_COUNT
--= changed: 1
delete from duty where name = 'now' returning 'taken out: ' || since;
--= taken out: 6

-- Transactions: one change of several is undone alone; nothing goes on after an error.
begin isolation level read committed;
show transaction_isolation;
--= read committed
@LOCK@;
--= 0
savepoint change;
insert into duty (name) values ('kept');
release savepoint change;
savepoint change;
insert into duty (name) values ('undone');
insert into duty (name) values ('kept');
\echo inside: :SQLSTATE
--= inside: 23505
select 1;
\echo after an error: :SQLSTATE
--= after an error: 25P02
rollback to savepoint change;
release savepoint change;
insert into duty (name) values ('last');
commit;
select 'stored: ' || string_agg(name, ' ' order by name) from duty;
--= stored: kept last least most never
begin; insert into duty (name) values ('gone'); rollback;
select 'after going back: ' || count(*) from duty where name = 'gone';
--= after going back: 0

-- Two at once: who changes waits for who changes, and sees what was committed meanwhile.
begin isolation level read committed;
@LOCK@;
--= 0
\! psql -XqAt -v VERBOSITY=sqlstate -c "set lock_timeout = '300ms'" -c "@LOCK@" 2>&1
--= ERROR:  55P03
commit;
begin isolation level read committed;
select 'before: ' || count(*) from duty;
--= before: 5
\! psql -XqAt -v VERBOSITY=sqlstate -c "insert into duty (name) values ('of another')" 2>&1
select 'what another committed: ' || count(*) from duty;
--= what another committed: 6
commit;

-- Who reads sees one state, and changes nothing.
begin isolation level repeatable read read only;
show transaction_isolation;
--= repeatable read
select 'one state: ' || count(*) from duty;
--= one state: 6
\! psql -XqAt -v VERBOSITY=sqlstate -c "insert into duty (name) values ('and another')" 2>&1
select 'the same state: ' || count(*) from duty;
--= the same state: 6
insert into duty (name) values ('of a reader');
\echo a reader: :SQLSTATE
--= a reader: 25006
rollback;
select 'the next state: ' || count(*) from duty;
--= the next state: 7

-- What crosses is told as such.
begin isolation level repeatable read;
select 'crossing: ' || count(*) from meta where name = 'commits';
--= crossing: 1
\! psql -XqAt -v VERBOSITY=sqlstate -c "update meta set value = '7' where name = 'commits'" 2>&1
update meta set value = '8' where name = 'commits';
\echo crossed: :SQLSTATE
--= crossed: 40001
rollback;
select 'commits: ' || value from meta where name = 'commits';
--= commits: 7

-- Limits of time.
set statement_timeout = '200ms';
select pg_sleep(20);
\echo too long: :SQLSTATE
--= too long: 57014
set statement_timeout = '60s';

-- The clock of the server, which goes on inside a transaction.
begin;
select @NOW@ as began \gset
select pg_sleep(0.05);
--=
select 'the clock goes on: ' || (@NOW@ - :began between 40 and 60000);
--= the clock goes on: true
commit;
select 'its time: ' || (@NOW@ > 1700000000000);
--= its time: true

-- The longest list of values.
@LONGEST@

\echo end
--= end
