-- Three questions to an export, answered by DuckDB. In the export folder: duckdb < questions.sql
-- The files beside this one answer the same in pandas and R.

-- Who rose? Rows above their expected interval, of exams that are flagged.
select a.patient_id, cast(a.performed_at as date) as day, a.eye, a.status,
       round(a.change_mm, 3) as change_mm, round(a.smallest_change_mm, 3) as smallest_change_mm
from 'current/assessments.parquet' a
join 'current/exams.parquet' e using (exam_id)
where e.flagged and a.status in ('above_expected', 'well_above_expected')
order by a.patient_id, day, a.eye;

-- Which device reads high? Exams labelled well, by their own device and the one device of their whole
-- baseline: what remains after growth is on average the difference of the two. Few patients say little;
-- patients who came with another device because they were ill would mislead.
with earlier as (
    select b.exam_id, min(e.device_id) as before, count(distinct coalesce(e.device_id, '')) as devices
    from 'current/baselines.parquet' b
    join 'current/exams.parquet' e on e.exam_id = b.earlier_exam_id
    where b.used
    group by b.exam_id
)
select e.device_id as device, earlier.before as baseline_device,
       count(*) as exams, count(distinct e.patient_id) as patients,
       round(avg(a.change_mm), 3) as mean_change_mm,
       round(stddev_samp(a.change_mm) / sqrt(count(*)), 3) as standard_error_mm
from 'current/exams.parquet' e
join earlier on earlier.exam_id = e.exam_id and earlier.devices = 1
join 'current/assessments.parquet' a on a.exam_id = e.exam_id and a.eye = 'both'
where e.label = 'well' and a.change_mm is not null and e.device_id is not null
group by all
order by device, baseline_device;

-- How much do healthy children grow here? Mean of both eyes against ln(age), each child against itself,
-- exams labelled well between three months and ten years.
with seen as (
    select e.patient_id, ln(e.age_years) as x, a.measured_mm as y
    from 'current/exams.parquet' e
    join 'current/assessments.parquet' a on a.exam_id = e.exam_id and a.eye = 'both'
    where e.label = 'well' and e.age_years between 0.25 and 10
    qualify count(*) over (partition by e.patient_id) > 1
), own as (
    select patient_id, x - avg(x) over child as x, y - avg(y) over child as y
    from seen window child as (partition by patient_id)
), sums as (
    select count(distinct patient_id) as children, count(*) as exams,
           sum(x * y) / sum(x * x) as slope, sum(x * x) as sxx, sum(y * y) as syy
    from own
)
select children, exams, round(slope, 3) as mm_per_ln_year,
       case when exams > children + 1
            then round(sqrt((syy - slope * slope * sxx) / (exams - children - 1) / sxx), 3)
       end as standard_error
from sums;
