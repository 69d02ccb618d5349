-- Rows in = rows used + rows set aside, file by file.
select file, rows_in, rows_used, rows_set_aside, 'the accounts do not add up' as reason
from clean.files
where rows_in <> rows_used + rows_set_aside;
