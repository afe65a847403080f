-- The queryable end of a fleet: PostgreSQL 15 or later. Run once: psql -d farms -f landing.sql
-- What arrives is put in by land.py, one call of pondreeve.land for each message; a repeat changes nothing.

create schema if not exists pondreeve;

-- One row for each pond, interval and record of a summary.
create table if not exists pondreeve.summary (
    gateway    text not null,
    pond       text not null,
    sequence   bigint not null,
    interval_s double precision not null,
    ended      timestamptz not null,
    quantity   text not null,              -- such as do_mg_l; `alarms` for those standing at the end
    statistic  text not null,              -- mean, minimum, maximum, last, usable, doubtful; critical, high, medium
    unit       text,
    value      double precision not null,
    primary key (gateway, sequence, interval_s, quantity, statistic)
);
create index if not exists summary_by_pond on pondreeve.summary (gateway, pond, quantity, ended);

-- The newest of each pond and quantity, kept beside: nobody wants to search years of summaries for it.
create table if not exists pondreeve.latest (
    gateway  text not null,
    pond     text not null,
    quantity text not null,
    unit     text,
    value    double precision not null,
    ended    timestamptz not null,
    primary key (gateway, pond, quantity)
);

create table if not exists pondreeve.alarm (
    gateway        text not null,
    sequence       bigint not null,
    at             timestamptz not null,
    pond           text,
    id             text not null,
    name           text not null,
    priority       smallint not null,
    state          text not null,
    previous_state text not null,
    message        text not null,
    by             text,
    primary key (gateway, sequence, at)
);
create index if not exists alarm_by_id on pondreeve.alarm (gateway, id, at);

create table if not exists pondreeve.call (
    gateway  text not null,
    sequence bigint not null,
    at       timestamptz not null,
    said     jsonb not null,
    primary key (gateway, sequence, at)
);

-- What no table takes, as it came: another topic, CBOR, what is no message of deploy/schema. Look at it, mend the gateway.
create table if not exists pondreeve.refused (
    at      timestamptz not null default now(),
    topic   text not null,
    payload bytea not null,
    why     text not null
);

create table if not exists pondreeve.health (
    gateway text primary key,
    says    text not null,
    since   timestamptz not null
);

-- Puts one message in its place. Unknown topics, formats and forms are an error, so that nothing is dropped unseen.
create or replace function pondreeve.land(topic text, payload text) returns void language plpgsql as $$
declare
    part text[] := string_to_array(topic, '/');
    said jsonb;
begin
    if topic ~ '^pondreeve/[^/]+/[^/]+/summary$' then
        said := payload::jsonb;
        if (said -> 0 ->> 'n', said -> 1 ->> 'n', said -> 2 ->> 'n') is distinct from ('sequence', 'interval', 'format')
            or (said -> 2 ->> 'v')::numeric is distinct from 1
        then
            raise exception 'no summary of format 1';
        end if;
        insert into pondreeve.summary
        select part[2], part[3], (said -> 0 ->> 'v')::numeric::bigint, (said -> 1 ->> 'v')::double precision,
               to_timestamp((said -> 0 ->> 'bt')::double precision),
               split_part(record ->> 'n', '/', 1), split_part(record ->> 'n', '/', 2),
               record ->> 'u', (record ->> 'v')::double precision
        from jsonb_array_elements(said) as record
        where record ->> 'n' like '%/%'
        on conflict do nothing;
        insert into pondreeve.latest
        select part[2], part[3], split_part(record ->> 'n', '/', 1), record ->> 'u', (record ->> 'v')::double precision,
               to_timestamp((said -> 0 ->> 'bt')::double precision)
        from jsonb_array_elements(said) as record
        where record ->> 'n' like '%/last'
        on conflict (gateway, pond, quantity) do update
        set unit = excluded.unit, value = excluded.value, ended = excluded.ended
        -- What an outage kept back comes after what is newer.
        where latest.ended <= excluded.ended;
    elsif topic ~ '^pondreeve/[^/]+/alarm$' then
        said := payload::jsonb;
        if (said ->> 'format')::numeric is distinct from 1 then
            raise exception 'no alarm of format 1';
        end if;
        insert into pondreeve.alarm
        values (part[2], (said ->> 'sequence')::bigint, (said ->> 'at')::timestamptz, said ->> 'pond', said ->> 'id',
                said ->> 'name', (said ->> 'priority')::smallint, said ->> 'state', said ->> 'previous_state',
                said ->> 'message', said ->> 'by')
        on conflict do nothing;
    elsif topic ~ '^pondreeve/[^/]+/call$' then
        said := payload::jsonb;
        if (said ->> 'format')::numeric is distinct from 1 then
            raise exception 'no call of format 1';
        end if;
        insert into pondreeve.call
        values (part[2], (said ->> 'sequence')::bigint, (said ->> 'at')::timestamptz, said)
        on conflict do nothing;
    elsif topic ~ '^pondreeve/[^/]+/health$' then
        if payload not in ('online', 'offline') then
            raise exception 'health is online or offline';
        end if;
        insert into pondreeve.health values (part[2], payload, now())
        on conflict (gateway) do update set says = excluded.says, since = excluded.since
        where health.says <> excluded.says;
    elsif topic ~ '^pondreeve/[^/]+/(command|result)/[^/]+$' then
        -- Between a person and a gateway; what came of it is in the gateway's audit trail.
        null;
    else
        raise exception 'no table takes the topic %', topic;
    end if;
end $$;

-- Where numbers are missing: messages that were given up for want of room, or merged, or are still to come.
create or replace view pondreeve.gap as
with numbered as (
    select gateway, sequence from pondreeve.summary
    union select gateway, sequence from pondreeve.alarm
    union select gateway, sequence from pondreeve.call
), followed as (
    select gateway, sequence, lead(sequence) over (partition by gateway order by sequence) as next from numbered
)
select gateway, sequence + 1 as first_missing, next - 1 as last_missing from followed where next > sequence + 1;

-- For dashboards: the newest of each pond and quantity.
create or replace view pondreeve.newest as
select gateway, pond, quantity, unit, value, ended from pondreeve.latest;

-- Once, in a database that had summaries before it had this table.
insert into pondreeve.latest
select distinct on (gateway, pond, quantity) gateway, pond, quantity, unit, value, ended
from pondreeve.summary
where statistic = 'last' and not exists (select from pondreeve.latest)
order by gateway, pond, quantity, ended desc
on conflict do nothing;

-- Alarms that stand, by their newest transition.
create or replace view pondreeve.standing as
select * from (
    select distinct on (gateway, id) * from pondreeve.alarm order by gateway, id, sequence desc
) as newest
where state <> 'normal';

-- The lowest oxygen of each night, local noon to noon by the longitude you give it.
create or replace function pondreeve.night_low(longitude double precision)
returns table (gateway text, pond text, night date, do_min_mg_l double precision) language sql stable as $$
    select gateway, pond, ((ended at time zone 'UTC') + make_interval(secs => longitude * 240 - 43200))::date, min(value)
    from pondreeve.summary where quantity = 'do_mg_l' and statistic = 'minimum' group by 1, 2, 3
$$;
