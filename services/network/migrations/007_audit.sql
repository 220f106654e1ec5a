-- Each time every fill was judged again: what was found, and up to which position of the feed.
create table fill_audit (
    at         timestamptz primary key,
    epoch      text not null,
    position   bigint not null check (position >= 0),
    fills      bigint not null check (fills >= 0),
    knew       bigint not null check (knew >= 0),
    cannot_say bigint not null check (cannot_say >= 0),
    document   text not null
);
create trigger fill_audit_append_only before update or delete or truncate on fill_audit
    for each statement execute function refuse_change();
