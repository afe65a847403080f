### What commands of plain lines tell beside `status` and `alarms`, the console's words in them.

## Any command.

mind = Mind: { $warning }
command-no-pond = there is no pond '{ $id }' on the farm; accepted is { $known }
command-other-answer = what answers at { $path } is not this version of pondreeve: it sent an answer of another kind
command-no-time = the daemon did not say what time it is on the farm
time-ahead = lies ahead, it is { $now }
time-none = is not a time
time-not-of-day = is not a time of day
time-no-calendar = cannot be placed on the calendar
time-refused = { $option } { $typed } { $why }; accepted is a clock time of the farm within the last 24 hours, such as 06:30, a day and a time such as "2026-03-01 06:30", or RFC 3339 with an offset, such as 2026-03-01T11:30:00Z

## acknowledge

acknowledged-over = Acknowledged: { $name }. It is over and leaves the list.
acknowledged-now = Acknowledged at { $at } by { $by }: { $name }.
acknowledged-before = Already acknowledged at { $at } by { $by }: { $name }.
acknowledged-you = you
acknowledged-stands = It still stands: { $message }
acknowledged-horn = The horn sounds again in 10 minutes unless it gets better.
acknowledged-others = Not yet acknowledged:
acknowledged-not = acknowledging '{ $id }' failed: no such alarm stands; { $accepted }
acknowledged-none-waits = no alarm waits to be acknowledged
acknowledged-accepted = accepted is { $ids }

## shelve, unshelve, reset

shelving-done = Shelved until { $until } by { $by }: { $name } ({ $id }). Reason: { $reason }. It comes back by itself then, in alarm if its condition stands. Whoever is on watch should know.
shelving-calm = { $id } is not in alarm.
shelving-stands = It stands, { $state }: { $message }
shelving-empty = shelving '{ $id }' failed: --reason is empty; say in a few words why
shelving-no-reason = '{ $id }' was shelved without a reason; every list and the audit trail say "{ $told }". Say why with --reason TEXT
shelving-why = Why is it put aside?
shelving-needs-why = '{ $id }' was not shelved: a reason is asked for, in a few words
shelving-not-asked = asking why '{ $id }' is to be shelved failed: { $error }

## enter

entered-head = Entered for { $pond } { $name }, sampled at { $at }:
entered-converted = { $typed } mg/L as { $from } is { $stored } mg/L as { $to }, which was stored.
entered-taken-as = { $id } was taken as { $kept }. A kit that counts otherwise: write { $id }={ $typed }:AS, AS being { $bases }.
entered-no-reading = Probe { $probe }: no reading within 15 minutes of the sample to compare with.
entered-compared = Probe { $probe } read { $read }{ $unit }{ $judged } at { $at }; by hand { $difference }{ $unit }.
entered-check-probe = That is more than { $limit }{ $unit }: check the probe. Measure again beside it; if it stays so, wipe the probe and compare once more.
entered-nothing = nothing was entered:
entered-time = nothing was entered: --at { $typed } { $why }; accepted is a clock time of the farm within the last 24 hours, such as 06:30, or RFC 3339 with an offset, such as 2026-03-01T11:30:00Z
entered-what-kit = { $id } { $typed }: what does the kit count, { $bases }?
entered-not-asked = nothing was entered: asking what the kit counts failed: { $error }
entered-no-pair = '{ $typed }' is not QUANTITY=VALUE, such as tan_mg_l=0.9
entered-derived = '{ $id }' is derived by pondreeve and cannot be entered
entered-no-quantity = '{ $id }' is not a quantity
entered-twice = '{ $id }' stands twice; once is accepted
entered-quantities = accepted quantities are { $ids }
entered-no-number = { $id } is '{ $typed }'; accepted is a bare number from { $low } to { $high }, { $unit }, with a point for decimals
entered-no-basis = { $id } is { $typed }:{ $basis }; accepted is a bare number, { $unit }
entered-other-basis = { $id } cannot be counted as '{ $basis }'; accepted is { $bases }
entered-state = { $id } is { $value }; accepted is 0 (stands still) or 1 (runs)
entered-range = { $id } is { $value }; accepted is { $low } to { $high }, { $unit }
entered-range-as = { $id } is { $value } as { $from }, which is { $stored } as { $to }; accepted is { $low } to { $high }, { $unit } as { $to }
entered-no-unit = without a unit
entered-unit = in { $unit }
meaning-moment = { $value } mg/L at pH { $ph } and { $warmth } C
meaning-now = now { $told }
meaning-worst = in the worst hour of the last 24, from { $at }, { $told }
meaning-unknown = NH3-N (un-ionised) cannot be told: no pH with a temperature is known. Enter ph and temperature_c too.
meaning-fresh = No salinity is known: as in fresh water, which is the safe side.
meaning-told = NH3-N (un-ionised) of it: { $known }. { $salt }The band is for { $ph } of pH and { $warmth } C; the kit's own step comes on top.

## record

recorded-no-pond = nothing was recorded: which pond is not said; add --pond, accepted is { $known }
recorded-unsure = { $message }. Count and weigh again; if it was so, add --confirm-mismatch
recorded-was-it-so = Was it so all the same? Type yes, or Enter to leave it:
recorded-not-asked = nothing was recorded: asking about the mismatch failed: { $error }
recorded-withdrawal = nothing was recorded: a withdrawal takes no --correct
recorded-as = Recorded as entry { $number }, pond { $pond } { $name }:
recorded-in-place = Recorded as entry { $number }, in place of entry { $corrected }, pond { $pond } { $name }:
recorded-wrong = Wrong? pondreeve record --pond { $pond } --correct { $number } { $kind } ..., or withdraw { $number } --reason ...
recorded-until = { $at } to { $stop }
list-cut = There is more: ask for fewer days, or use pondreeve export --diary.
list-none = Nothing is recorded of the last { $days } days.
list-too-long = { $days } days are too many
list-withdrawn = {" "}WITHDRAWN: { $reason }.
list-superseded = {" "}SUPERSEDED by entry { $later }.
list-in-place = {" "}(in place of entry { $earlier })
list-line = { $when } { $kind }: { $words }{ $instead }, by { $by }.{ $state }
