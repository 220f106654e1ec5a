-- A fact is never changed and never removed, whoever asks.
create function refuse_change() returns trigger language plpgsql as $$
begin
    raise exception 'the log is append-only: % on % is refused', tg_op, tg_table_name
        using errcode = 'insufficient_privilege';
end;
$$;

create trigger stored_events_append_only before update or delete or truncate on stored_events
    for each statement execute function refuse_change();
create trigger feed_append_only before update or delete or truncate on feed
    for each statement execute function refuse_change();
create trigger feed_repeat_append_only before update or delete or truncate on feed_repeat
    for each statement execute function refuse_change();
