-- The branch's database beside the recorder's own table `stored_events`
-- (originator_id = incarnation, originator_version = seq, state = signature ‖ envelope bytes).
-- Everything but stored_events, envelope_beside, feed_copy, unread_item, given, known_against, known_against_list, node,
-- diver_card, person, device, session, pin_try, gas_on_hand and mix_training can be rebuilt from the log.

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
    trouble text not null default '',
    relearning text not null default '',
    ticket text not null default '',
    parent text,
    is_suspected integer not null default 0
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
create index if not exists fact_unplaced on fact (inc) where position is null;
create index if not exists fact_unproven on fact (node) where is_proven = 0;

-- Envelopes that do not lie at their place: another one does (why is empty), or they were moved out of it as evidence
-- when the node began a new incarnation.
create table if not exists envelope_beside (
    envelope_hash text primary key,
    inc text not null,
    seq integer not null,
    state blob not null,
    why text not null
) strict;

-- Every fact with its signed bytes, wherever they lie. Look-ups go through it.
create view if not exists fact_state as
select f.event_id, f.inc, f.seq, f.node, f.position, f.envelope_hash, f.kind, f.effect, f.matters, f.subject,
    f.visit_id, f.at, f.actor, f.is_proven, f.rowid as arrived, coalesce(b.state, e.state) as state
from fact f
left join envelope_beside b on b.envelope_hash = f.envelope_hash
left join stored_events e on e.originator_id = f.inc and e.originator_version = f.seq;

-- The copy of the feed: the cumulative hash at each position.
create table if not exists feed_copy (
    position integer primary key,
    feed_hash text not null
) strict;

-- What stands in the feed and is no fact here: it cannot be read, or its signature is not borne out. It keeps its
-- position. Without one it was cut off with an older hub's feed.
create table if not exists unread_item (
    envelope_hash text primary key,
    position integer,
    state blob not null
) strict;
create index if not exists unread_position on unread_item (position) where position is not null;

-- Every position of the copy with the hash of what stands there.
create view if not exists feed_entry as
select position, envelope_hash from fact where position is not null
union all
select position, envelope_hash from unread_item where position is not null;

-- What was given back to the hub of an epoch, so that it is not offered twice.
create table if not exists given (
    envelope_hash text primary key,
    epoch text not null
) strict;

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

-- Cylinders that facts touched while this node is behind. Their standing above is old: each is folded once before the
-- node says that it is up to date, and until then at each look-up.
create table if not exists unfolded (
    cylinder_id text primary key
) strict;

-- The serials that each cylinder was said to have, and the keys by which a near one is found (cylinder.near.near_keys).
create table if not exists serial_claim (
    id integer primary key,
    cylinder_id text not null,
    bare text not null,
    unique (cylinder_id, bare)
) strict;

create table if not exists near_key (
    key integer not null,
    claim_id integer not null,
    primary key (key, claim_id)
) strict, without rowid;

-- What the hub's list says is stopped, while a node that began with nothing reads the records behind it.
create table if not exists known_against (
    cylinder_id text primary key,
    document text not null
) strict;

create table if not exists known_against_list (
    one integer primary key check (one = 1),
    epoch text not null,
    position integer not null,
    sha256 text not null
) strict;

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

-- Who has looked at a piece of evidence, and what came of it. The evidence itself stays.
create table if not exists witness_answer (
    evidence_id integer primary key,
    answered_at text not null,
    answered_by text not null,
    words text not null
) strict;

-- The last beat's answer as the hub signed it: it shows a rolled-back hub where it once stood.
create table if not exists hub_word (
    one integer primary key check (one = 1),
    body text not null,
    signature text not null
) strict;

-- An incarnation that was left because something of it is gone, and how far it is known to have come. inc is empty when
-- the whole log was lost. Closed by a manager's statement.
create table if not exists gap (
    inc text primary key,
    reason text not null,
    found_at text not null,
    kept_seq integer not null,
    marker_seq integer,
    hub_seq integer,
    stated_by text
) strict;

-- The gases that the shop blends with, as a manager keyed them: one document. Local to the shop, no fact.
create table if not exists gas_on_hand (
    one integer primary key check (one = 1),
    document text not null
) strict;

-- The last good day of a staff member's training to mix gas, as a manager saw it. Local to the shop, no fact.
create table if not exists mix_training (
    actor_id text primary key,
    good_until text not null
) strict;
