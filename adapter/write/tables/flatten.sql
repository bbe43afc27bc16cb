-- The wide table made once more, from the long ones alone and by the rules of the README: no line of this is shared with
-- the program that wrote it. What comes out is every cell that differs; nothing means that the two agree.
-- Needs findings, components and exams (all columns as text), and the lists beside this file: columns, answers, places,
-- meanings. Written for DuckDB.

create or replace temp table found as
with typed as (
  select exam_id, item, item_type, coalesce(side, '') as side, coalesce(site, '') as site, answer,
         finding_id, cast(finding_number as integer) as n, cast(age_hours as decimal(18, 4)) as age,
         number, comparator, moment_age_hours, in_words, not_examined, rule, origin,
         coalesce(meaning, case when not_judged is not null then 'not_judged' end) as meaning,
         (item_type <> 'text' and in_words is null and not_examined is null) as valued,
         bool_or(origin = 'captured') over (partition by exam_id, item) as has_captured
  from findings
)
-- What the software computed stands only where nobody recorded the item.
select t.*, case when i.sides = 'each' then t.side else '' end as place,
       -- a side that stands in the name of a place is no side of its own
       case when i.sides in ('optional', 'either') and side in ('left', 'right') and contains(finding_id, '/' || item || '/' || side) then side else '' end as slot,
       case when p.site is null then '' else t.site end as own_site
from typed t
join (select distinct item, sides from columns) i using (item)
left join places p on p.item = t.item and p.site = t.site
where origin = 'captured' or not has_captured;

create or replace temp table reading as
-- Answers of one moment, place and side are one reading; of an item that takes one answer, with all its places.
select exam_id, item, place, slot, '' as own_site, age, min(n) as number_of_first, null as finding,
       string_agg(distinct answer, ';') as answers, string_agg(distinct nullif(own_site, ''), ';') as sites,
       max(m.position) as worst, item_type
from found left join meanings m using (meaning)
where valued and item_type in ('choice', 'choices')
group by exam_id, item, place, slot, age, item_type, case when item_type = 'choice' then answer end
union all
-- Every other value is a reading by itself, in the columns of its place on the body.
select exam_id, item, place, '', own_site, age, n, finding_id, answer, null, m.position, item_type
from found left join meanings m using (meaning)
where valued and item_type not in ('choice', 'choices');

create or replace temp table standing as
-- Of readings in the same columns the latest; one without a side is of both sides, for what was found at another moment.
select * from reading r
where not exists (
  select 1 from reading later
  where later.exam_id = r.exam_id and later.item = r.item and later.place = r.place and later.own_site = r.own_site
    and (later.slot = r.slot or ((later.slot = '' or r.slot = '') and later.age > r.age))
    and (later.age, later.number_of_first) > (r.age, r.number_of_first)
);

create or replace temp table expected as
-- answers and their places, in the catalogue's order
select s.exam_id, c.name, string_agg(a.answer, ';' order by a.position) as value
from standing s join columns c on c.item = s.item and c.place = s.place and c.slot = s.slot and c.kind = 'answer'
join answers a on a.item = s.item and list_contains(string_split(s.answers, ';'), a.answer)
group by all
union all
select s.exam_id, c.name, string_agg(p.site, ';' order by p.position)
from standing s join columns c on c.item = s.item and c.place = s.place and c.slot = s.slot and c.kind = 'sites'
join places p on p.item = s.item and list_contains(string_split(s.sites, ';'), p.site)
group by all
union all
-- numbers, signs of comparison, totals, moments
select s.exam_id, c.name,
       case c.kind when 'number' then f.number when 'comparator' then f.comparator else f.moment_age_hours end
from standing s join found f on f.exam_id = s.exam_id and f.finding_id = s.finding
join columns c on c.item = s.item and c.place = s.place and c.site = s.own_site
 and c.kind in ('number', 'comparator', 'hours')
union all
-- numbers of a measurement that has several, points of a score's signs
select s.exam_id, c.name, k.number
from standing s join components k on k.exam_id = s.exam_id and k.finding_id = s.finding
join columns c on c.item = s.item and c.place = s.place and c.site = s.own_site and c.kind = 'part' and c.part = k.component
union all
-- words, a line each; of rules and comparisons their ids
select f.exam_id, c.name,
       coalesce(string_agg(f.rule, ';' order by f.age, f.n), string_agg(f.in_words, chr(10) order by f.age, f.n))
from found f join columns c on c.item = f.item and c.place = f.place and c.kind = 'words'
group by all
union all
-- whether it was examined
select f.exam_id, c.name,
       case when bool_and(f.origin = 'computed') then 'computed'
            when bool_or(f.valued) then 'examined'
            when bool_or(f.in_words is not null) then case when any_value(f.item_type) = 'text' then 'examined' else 'in_words' end
            else 'not_examined:' || last(f.not_examined order by f.age, f.n) end
from found f join columns c on c.item = f.item and c.place = f.place and c.kind = 'status'
group by all
union all
-- what it says: the worst of the readings that stand; where none stands, of all
select exam_id, name, (select meaning from meanings where position = worst) from (
  select f.exam_id, c.name,
         case when any_value(s.n) is null then max(m.position) else any_value(s.worst) end as worst
  from found f join columns c on c.item = f.item and c.place = f.place and c.kind = 'meaning'
  left join meanings m using (meaning)
  left join (select exam_id, item, place, count(*) as n, max(worst) as worst from standing group by all) s
    on s.exam_id = f.exam_id and s.item = f.item and s.place = f.place
  group by f.exam_id, c.name
);

create or replace temp table written as
-- A place that is the item's own is not told from one that was captured by the long table.
select exam_id, name, case when c.kind <> 'sites' then value else nullif(array_to_string(
         list_filter(string_split(value, ';'), lambda x: x <> c.implied), ';'), '') end as value
from (unpivot exams on columns(* exclude (exam_id)) into name name value value) join columns c using (name)
where value not in ('not_recorded', 'not_expected');

-- Cells of CSV have an apostrophe before what a spreadsheet could take for a formula.
create or replace macro bare(cell) as regexp_replace(cell, '(^|[;,\t\r\n])''', '\1', 'g');

create or replace temp table difference as
select coalesce(w.exam_id, e.exam_id) as exam_id, coalesce(w.name, e.name) as name, w.value as written, e.value as expected
from (select * from written where value is not null) w
full join (select * from expected where value is not null) e on e.exam_id = w.exam_id and e.name = w.name
where w.value is distinct from e.value and bare(w.value) is distinct from bare(e.value)
  and coalesce(try_cast(w.value as decimal(21, 9)) <> try_cast(e.value as decimal(21, 9)), true);
