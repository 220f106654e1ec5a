-- The branch's database beside the recorder's own table `stored_events`
-- (originator_id = incarnation, originator_version = seq, state = signature ‖ envelope bytes).
-- Everything but stored_events, node, diver_card, person, device, session and pin_try can be rebuilt from the log.

create table if not exists node (
    one integer primary key check (one = 1),
    inc text not null,
    seq integer not null,
    hash text not null,
    acked_seq integer not null,
    epoch text not null,
    position integer not null,
    feed_hash text not null,
    heard_at text,
    hub_time text,
    trouble text not null default ''
) strict;

create table if not exists fact (
    event_id text primary key,
    inc text not null,
    seq integer not null,
    node text not null,
    position integer,
    envelope_hash text not null,
    kind text not null,
    effect text not null,
    matters integer not null,
    subject text not null,
    visit_id text,
    at text not null,
    actor text not null default '',
    is_proven integer not null default 1
) strict;
create index if not exists fact_subject on fact (subject, matters);
create index if not exists fact_visit on fact (visit_id) where visit_id is not null;
create index if not exists fact_position on fact (position) where position is not null;
create index if not exists fact_kind on fact (kind, at);

-- The other subjects under which a fact has to be found, besides its own: a link lies with both its records.
create table if not exists fact_about (
    subject text not null,
    event_id text not null,
    primary key (subject, event_id)
) strict;
create index if not exists fact_about_event on fact_about (event_id);

create table if not exists standing (
    cylinder_id text primary key,
    document text not null
) strict;

create table if not exists claim (
    cylinder_id text not null,
    bare text not null,
    skeleton text not null,
    primary key (cylinder_id, bare)
) strict;
create index if not exists claim_skeleton on claim (skeleton);

create table if not exists open_visit (
    visit_id text primary key,
    node text not null
) strict;

create table if not exists node_key (
    key_id text primary key,
    node text not null,
    public_key text not null,
    name text not null
) strict;

create table if not exists actor_name (
    actor_id text primary key,
    known_as text not null,
    role text not null,
    certificate text not null,
    certificate_until text
) strict;

create table if not exists diver_card (
    diver_ref text primary key,
    name text not null,
    email text,
    phone text,
    is_sent integer not null,
    trouble text not null default ''
) strict;
create index if not exists diver_name on diver_card (name collate nocase);

create table if not exists person (
    actor_id text primary key,
    pin_hash text not null,
    is_here integer not null
) strict;

create table if not exists device (
    device_id text primary key,
    name text not null,
    token_hash text not null unique,
    enrolled_at text not null,
    is_revoked integer not null default 0
) strict;

create table if not exists device_code (
    code_hash text primary key,
    good_until text not null
) strict;

create table if not exists session (
    token_hash text primary key,
    actor_id text not null,
    device_id text not null,
    opened_at text not null,
    used_at text not null
) strict;

create table if not exists pin_try (
    actor_id text primary key,
    failed integer not null,
    not_before text not null
) strict;

-- What this node has seen of the hub's checkpoints (branch.witness). The edge can be rebuilt from the facts. The
-- checkpoints and the evidence cannot: they are the hub's word, and what it excludes.
create table if not exists witness_edge (
    one integer primary key check (one = 1),
    epoch text not null,
    size integer not null,
    feed_hash text not null,
    hashes text not null
) strict;

create table if not exists witness_checkpoint (
    epoch text not null,
    position integer not null,
    root text not null,
    feed_hash text not null,
    raw text not null,
    signature text not null,
    seen_at text not null,
    agrees integer not null default 0,
    is_cosigned integer not null default 0,
    primary key (epoch, position, root, feed_hash)
) strict;
create index if not exists witness_checkpoint_seen on witness_checkpoint (seen_at);

create table if not exists witness_evidence (
    id integer primary key,
    found_at text not null,
    kind text not null,
    epoch text not null,
    position integer not null,
    words text not null,
    raw text not null,
    signature text not null,
    against_raw text,
    against_signature text,
    own_root text,
    own_feed_hash text,
    unique (kind, epoch, position, raw)
) strict;
