-- The worker's memory. Everything in it can be read again from the feed, except what was sent.

create table if not exists cursor (
    only_row  integer primary key default 1 check (only_row = 1),
    epoch     text not null,
    position  integer not null,
    feed_hash text not null
) strict;
insert or ignore into cursor (epoch, position, feed_hash)
values ('none', 0, '0000000000000000000000000000000000000000000000000000000000000000');

-- Envelopes as they were signed: those of open visits. (`cylinder_id` is of an older ledger.)
-- `arrived` keeps the order of each shop's log, also across an epoch of the feed.
create table if not exists fact (
    arrived     integer primary key autoincrement,
    id          text not null unique,
    node        text not null,
    visit_id    text,
    cylinder_id text,
    raw         text not null
) strict;
create index if not exists fact_by_visit on fact (visit_id) where visit_id is not null;

-- What blocks or clears a cylinder, and what that rests on, under every subject that has to find it.
create table if not exists filed (
    subject text not null,
    id      text not null,
    raw     text not null,
    primary key (subject, id)
) strict;

-- A visit that is over takes no more facts; without a hand-over it gets no receipt.
-- Only the shop where it is can end it: another shop's word about it is another row.
create table if not exists closed_visit (
    visit_id    text not null,
    node        text not null,
    handover_id text,
    primary key (visit_id, node)
) strict;
create index if not exists closed_by_handover on closed_visit (handover_id) where handover_id is not null;

create table if not exists receipt (
    handover_id text primary key,
    node        text not null,
    diver_ref   text not null,
    state       text not null check (state in ('due', 'sending', 'sent', 'unknown', 'refused', 'dropped')),
    attempts    integer not null default 0,
    doubts      integer not null default 0 check (doubts between 0 and 2),
    due_at      text not null,
    next_try_at text not null,
    changed_at  text not null,
    reason      text not null default ''
) strict;
create index if not exists receipt_by_next_try on receipt (next_try_at) where state = 'due';

create table if not exists shop (
    node     text primary key,
    name     text not null,
    phone    text not null,
    reply_to text not null
) strict;

create table if not exists person (
    actor_id text primary key,
    node     text not null,
    known_as text not null
) strict;

-- Completed fills, so that a finding that comes late reaches who may be breathing from it.
create table if not exists fill (
    fill_id       text primary key,
    node          text not null,
    cylinder_id   text not null,
    diver_ref     text,
    performed_on  text not null,
    position      integer not null,
    seen_position integer not null
) strict;
create index if not exists fill_by_cylinder on fill (cylinder_id);

-- Where in the feed stands what is filed, and what a cylinder's serial was last read as.
create table if not exists place (id text primary key, position integer not null) strict;
create table if not exists serial (cylinder_id text primary key, serial text not null) strict;

-- Who was told not to use what, and in which letter (a row of `receipt`): a diver and a cylinder once. Only a fill
-- of a later day than `told_on` is told of again.
create table if not exists recall (
    diver_ref   text not null,
    cylinder_id text not null,
    letter_id   text not null,
    told_on     text not null,
    primary key (diver_ref, cylinder_id)
) strict;
create index if not exists recall_by_letter on recall (letter_id);
create table if not exists recall_letter (letter_id text primary key) strict;
