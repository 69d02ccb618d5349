-- Grain: one wording of headlamp lines that do not tell the part, the side or what was done; rare wordings of a kind together, without text.
-- Key: why, text.
-- Inputs: clean.unread_texts.
-- Units: counts of lines and of wordings.
create or replace table results.unread_texts as
-- What was written once or twice may name somebody, and a word for it in the vocabulary would help little.
select shown as text, missing as why, sum(lines)::bigint as n, count(*)::bigint as wordings
from (select *, case when lines >= 3 then text end as shown from clean.unread_texts)
group by shown, missing
order by shown is null, n desc, shown, missing;
