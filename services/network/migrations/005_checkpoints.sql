-- The tree over the feed (RFC 9162): hashes of complete subtrees of at least 2^4 leaves, so that a root or a proof
-- takes a few rows, never the whole feed. Smaller ones follow from feed.envelope_hash. A new epoch begins a new tree.
create table feed_subtree (
    epoch text not null,
    level smallint not null check (level >= 4),
    index bigint not null check (index >= 0),
    hash  bytea not null check (length(hash) = 32),
    primary key (epoch, level, index)
);

-- What the hub has signed, exactly as signed.
create table checkpoint (
    epoch     text not null,
    position  bigint not null check (position > 0),
    root      bytea not null check (length(root) = 32),
    feed_hash bytea not null check (length(feed_hash) = 32),
    hub_time  timestamptz not null,
    raw       text not null,
    signature text not null,
    primary key (epoch, position)
);

-- Nodes whose own copy of the feed gives the same.
create table cosignature (
    epoch       text not null,
    position    bigint not null,
    node        text not null,
    key_id      text not null,
    signature   text not null,
    received_at timestamptz not null,
    primary key (epoch, position, node),
    foreign key (epoch, position) references checkpoint (epoch, position)
);

create trigger feed_subtree_append_only before update or delete or truncate on feed_subtree
    for each statement execute function refuse_change();
create trigger checkpoint_append_only before update or delete or truncate on checkpoint
    for each statement execute function refuse_change();
create trigger cosignature_append_only before update or delete or truncate on cosignature
    for each statement execute function refuse_change();
