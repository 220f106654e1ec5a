-- A cylinder's facts are folded again whenever one arrives.
create index feed_by_subject on feed (subject, position);

-- How far each projection has read. Its rows and this cursor move in one transaction.
create table projection_cursor (
    name     text primary key,
    version  integer not null,
    position bigint not null
);

-- When a node last asked for anything, and how far it has absorbed the feed.
create table node_contact (
    node     text primary key,
    heard_at timestamptz not null,
    position bigint not null default 0
);

create table officer (
    login         text primary key check (login ~ '^[a-z0-9][a-z0-9.-]{0,62}$'),
    name          text not null,
    actor_id      text not null unique,
    password_hash text not null,
    changed_at    timestamptz not null
);

create table officer_session (
    token_sha256 bytea primary key,
    login        text not null references officer (login) on delete cascade,
    opened_at    timestamptz not null,
    used_at      timestamptz not null
);

create table officer_try (
    login      text primary key,
    failed     integer not null,
    not_before timestamptz not null
);
