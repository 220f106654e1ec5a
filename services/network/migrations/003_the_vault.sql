-- People, apart from the log. Everything readable is sealed with a key of that diver alone, and that key is
-- wrapped by the master key, which is a file and never in the database.
create table diver (
    diver_ref   text primary key,
    wrapped_key bytea not null,
    sealed_card bytea not null,
    email_index bytea unique,
    changed_at  timestamptz not null
);
create index diver_by_change on diver (changed_at);
