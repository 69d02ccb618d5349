-- Lives in one place follow one another: none begins before the one before it has ended.
select vehicle, component, side, generation, start_on, end_on, next_start_on, 'overlaps the next life' as reason
from (
    select *, lead(start_on) over (partition by vehicle, component, side order by generation) as next_start_on
    from lives.lives
)
where next_start_on < end_on;
