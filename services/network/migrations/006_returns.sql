-- What comes back after a restore, and how the hub sees that something is not as it was.

-- Envelopes that count although they do not lie in their chain: the chain has a hole before them, or another envelope
-- at their place. `follows_*` is where their chain ended when they came: the record of the hole or the fork.
create table loose (
    envelope_hash bytea primary key check (length(envelope_hash) = 32),
    node          text not null,
    inc           uuid not null,
    seq           bigint not null check (seq > 0),
    state         bytea not null,
    signature     bytea not null,
    follows_seq   bigint not null check (follows_seq >= 0),
    follows_hash  bytea not null check (length(follows_hash) = 32),
    why           text not null check (why in ('hole', 'fork')),
    received_at   timestamptz not null
);
create trigger loose_append_only before update or delete or truncate on loose
    for each statement execute function refuse_change();

-- A loose fact may stand at the same place as one in the chain, and so may a second loose one.
alter table feed add column is_loose boolean not null default false;
alter table feed drop constraint feed_inc_seq_key;
create unique index feed_by_place on feed (inc, seq) where not is_loose;

-- The feed with the envelopes themselves, wherever they lie. An envelope that is missing is null here, so that
-- nobody who reads skips it unseen.
create view numbered as
select f.*, case when f.is_loose then l.state else s.state end as state
from feed f
left join stored_events s on not f.is_loose and s.originator_id = f.inc and s.originator_version = f.seq
left join loose l on f.is_loose and l.envelope_hash = f.envelope_hash;

-- The feed goes on under another name after a restore. `begins_after` is the position at which it did.
create table epoch (
    epoch        text primary key,
    begins_after bigint not null check (begins_after >= 0),
    feed_hash    bytea not null check (length(feed_hash) = 32),
    at           timestamptz not null
);
create trigger epoch_append_only before update or delete or truncate on epoch
    for each statement execute function refuse_change();
insert into epoch (epoch, begins_after, feed_hash, at)
select epoch, 0, decode(repeat('00', 32), 'hex'), now() from feed_head;

-- Every key that a node ever had: what was signed with an earlier one can be given back and checked.
create table node_key (
    node        text not null,
    key_id      text not null,
    public_key  text not null,
    enrolled_at timestamptz not null,
    revoked_at  timestamptz,
    primary key (node, key_id)
);
insert into node_key (node, key_id, public_key, enrolled_at, revoked_at)
select slug, key_id, public_key, enrolled_at, revoked_at from node;
insert into node_key (node, key_id, public_key, enrolled_at)
select d.doc -> 'data' ->> 'node', d.doc -> 'data' ->> 'key_id', d.doc -> 'data' ->> 'public_key', d.received_at
from (
    select f.received_at, convert_from(f.state, 'UTF8')::json as doc from numbered f
    where f.node = 'hub' and f.kind = 'node.enrolled'
) d
on conflict do nothing;
insert into node_key (node, key_id, public_key, enrolled_at)
select 'hub', d.doc ->> 'keyid', d.doc -> 'data' ->> 'public_key', d.received_at
from (
    select f.received_at, convert_from(f.state, 'UTF8')::json as doc from numbered f
    where f.node = 'hub' and f.kind = 'node.log_opened'
) d
where d.doc -> 'data' ->> 'public_key' is not null
on conflict do nothing;

-- Whose turn it is at a node, and the last turn of each incarnation that another one has followed.
create table turn (
    node            text primary key,
    inc             uuid not null,
    current_ticket  text not null,
    previous_ticket text not null,
    beat            uuid not null
);
create table ended_turn (
    node            text not null,
    inc             uuid not null,
    current_ticket  text not null,
    previous_ticket text not null,
    beat            uuid not null,
    primary key (node, inc)
);

-- Two incarnations of a node that were seen alive at once: told once, by the fact of this id.
create table suspicion (
    node     text not null,
    one      uuid not null,
    other    uuid not null,
    event_id uuid not null,
    at       timestamptz not null,
    primary key (node, one, other)
);

-- Where each node stood when it last said so, and whether its feed and its standings were the hub's.
create table node_beat (
    node        text primary key,
    at          timestamptz not null,
    inc         uuid not null,
    seq         bigint not null,
    epoch       text not null,
    position    bigint not null,
    digest      text,
    has_digest  text not null check (has_digest in ('agree', 'differ', 'unknown')),
    feed_agrees boolean not null
);
