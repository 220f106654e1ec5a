-- The shared log. The envelopes themselves lie in stored_events, the table of the event-sourcing recorder,
-- which `network migrate` makes between this file and the next.

-- Where the feed stands. One row, so that its lock puts all appends in commit order and a rolled back append
-- rolls the counter back too: positions are contiguous. (A sequence or identity column is not.)
create table feed_head (
    only_row  boolean primary key default true check (only_row),
    epoch     text not null,
    position  bigint not null default 0 check (position >= 0),
    feed_hash bytea not null check (length(feed_hash) = 32)
);

create table feed (
    position      bigint primary key check (position > 0),
    inc           uuid not null,
    seq           bigint not null check (seq > 0),
    event_id      uuid not null unique,
    node          text not null,
    envelope_hash bytea not null check (length(envelope_hash) = 32),
    feed_hash     bytea not null check (length(feed_hash) = 32),
    signature     bytea not null,
    received_at   timestamptz not null,
    kind          text not null,
    effect        text not null,
    subject       text not null,
    diver_ref     text,
    unique (inc, seq)
);

-- Envelopes that carry a fact which already has its position (published again in a new incarnation).
create table feed_repeat (
    inc         uuid not null,
    seq         bigint not null check (seq > 0),
    event_id    uuid not null,
    signature   bytea not null,
    received_at timestamptz not null,
    primary key (inc, seq)
);

-- The last envelope held of each incarnation of each node's log; its row lock admits one batch at a time.
create table log_head (
    inc      uuid primary key,
    node     text not null,
    seq      bigint not null check (seq >= 0),
    hash     bytea not null check (length(hash) = 32),
    heard_at timestamptz not null
);
create index log_head_by_node on log_head (node);

-- What the hub could not take into the log, as it came.
create table quarantine (
    id          bigint generated always as identity primary key,
    node        text not null,
    reason      text not null,
    detail      text not null,
    raw         bytea not null,
    raw_sha256  bytea not null,
    received_at timestamptz not null,
    unique (node, raw_sha256)
);

create table node (
    slug        text primary key check (slug ~ '^[a-z][a-z0-9-]{0,62}$'),
    name        text not null,
    role        text not null check (role in ('hub', 'branch', 'reader')),
    public_key  text not null,
    key_id      text not null unique,
    enrolled_at timestamptz not null,
    revoked_at  timestamptz
);

create table invitation (
    code_sha256 bytea primary key,
    slug        text not null check (slug ~ '^[a-z][a-z0-9-]{0,62}$'),
    name        text not null,
    role        text not null check (role in ('branch', 'reader')),
    expires_at  timestamptz not null,
    used_at     timestamptz
);
