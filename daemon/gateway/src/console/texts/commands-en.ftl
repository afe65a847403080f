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
recorded-why = Why was it given? Type the reason, or Enter to leave it:
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

## calibrate

service-needs-terminal = calibrating in turn needs a terminal: name a step instead, such as begin (see --help)
service-nothing-known = { $probe } is in service, and nothing is known of a service.
service-not-done = servicing { $probe } failed: { $message }
service-one-quantity = --reading is for one quantity: give one QUANTITY=HAND with it
service-no-number = { $quantity }={ $typed } is no number: accepted is 5.3, or - without a hand meter
service-out = { $probe } is out of service since { $since } by { $by }; it returns by itself at { $until }.
service-in = { $probe } is in service.
service-last = { $name }, last service { $at }: fouling { $fouling }, drift { $drift }; { $outcome }. The correction is spread back to { $from }.
service-last-rejected = too far off: what was read in between is rejected
service-last-adopted = adopted: times { $gain }, { $shift } added
service-last-nothing = nothing adopted
service-fouling = fouling { $value }
service-fouling-unknown = fouling not known
service-drift = drift { $value }
service-drift-unknown = drift not known
service-adopted = ; adopted times { $gain }, { $shift } added
service-would-be = ; adopting would make it times { $gain }, { $shift } added
service-factor = ; the standards ask for a factor of { $gain }, which is not adopted: look at the standard and the unit
service-slope = ; slope { $slope } %
service-offset = , offset { $offset } mV
service-replace = : outside what is accepted, REPLACE THE SENSOR
service-beyond = ; readings since the last service are too far off to be corrected
service-next-before = Next: before QUANTITY=HAND, then clean it and say cleaned.
service-next-after = Next: after QUANTITY=HAND, then standard QUANTITY=STANDARD.
service-next-adopt = Next: another standard, or adopt, or end without adopting.
service-next-end = Next: put it back into the pond, then end.
walk-caution = Switch off and lock what drives the aerators before you reach into the pond. Do not work alone at night. Rinse with clean water; no acid, no abrasive on an oxygen cap.
walk-oxygen = oxygen, mg/L
walk-ph = pH
walk-salinity = salinity, PSU
walk-conductivity = conductivity, mS/cm
walk-temperature = temperature, C
walk-accepts-air = air, zero or a number
walk-accepts-buffers = buffer7, buffer10, buffer4 or a number
walk-accepts-near = a number near that of the pond
walk-going-on = { $probe } is out of service already: going on.
walk-begin = Take { $probe } out of service for half an hour now?
walk-yes = { $question } [y/N]
walk-nothing = Nothing was done.
walk-before = 1. Before cleaning: hand meter beside the probe. Empty to leave one out.
walk-clean = 2. Clean it, put it back into the pond, wait until it reads steadily. Then Enter.
walk-after = 3. After cleaning: hand meter beside the probe again.
walk-standards = 4. Standards: put it in, wait until it reads steadily, then name the standard. Empty when done.
walk-found = 5. What was found:
walk-end = 6. Put it back into the pond. Then Enter: it is in service again.
walk-adopt = Adopt?
walk-adopted = Adopted.
walk-not-adopted = NOT adopted: { $why }
walk-back = Back in service.
walk-standard = { $name } ({ $accepted }):
walk-taken = taken.
walk-hand = { $name } (- without a hand meter):
walk-number = Accepted is a number, - or nothing.
walk-broken-off = the conversation was broken off; the probe stays out of service and returns by itself: go on with the same command
walk-terminal = the terminal could not be read or written: { $error }

## limit

changed-limit = CHANGED from { $configured } by { $by } at { $at }: { $reason }
changed-but = But:
changed-needs-why = changing { $key } of { $pond }: say why with --reason 'a few words'; nothing was changed
changed-no-value = { $typed } is no limit with a value: write NAME=VALUE, such as ph_high.warn=8.7; nothing was changed

## plan wrong-dose

plan-wrong-end = Common practice, no source. In doubt act as if more had been given, and call the adviser.

## plan dose. Names of rows have 26 columns, numbers 8.

plan-head = { $pond } { $name }: { $dose } { $unit } in { $volume } m3 is { $kg } kg = { $litres } L
plan-containers = { $head } = { $containers } containers ({ $open } to open)
plan-no-lot = no lot named
plan-product = { $head } ({ $lot }: { $solids } % solids, { $density } kg/L)
plan-three-readings = { $dose } ppm can mean { $slurry } kg (slurry_mass), { $solids } kg (solids_mass) or { $volume } kg (slurry_volume). Taken here: the first. Say which: --lot, or --basis.
plan-before-stocking = Before shrimp are put in: wait 48 h after the dose, and read the pH.
plan-go = Nothing known speaks against dosing now.
plan-not-now-until = NOT NOW: { $reasons }. Earliest { $when }.
plan-not-now = NOT NOW: { $reasons }. When cannot be said before that is mended.
plan-inside = At most { $dose } { $unit } keep ammonia inside the limits: { $kg } kg
plan-inside-now = { $smaller }, now.
plan-inside-from = { $smaller }, earliest { $when }.
plan-inside-unsaid = { $smaller }, once the rest is mended.
plan-inside-none = Not the smallest dose keeps ammonia inside the limits.
plan-inside-change = For { $dose } { $unit }: TAN at most { $tan } mg/L as N, or pH { $lower } lower all day.
plan-inside-change-tan = For { $dose } { $unit }: TAN at most { $tan } mg/L as N.
plan-no-preview = What it does cannot be said: pH, temperature and an alkalinity by kit are needed.
plan-without = without
plan-with = with it
plan-ph-mixed = pH after mixing
plan-at-most = at most
plan-ph-air = pH in balance with air
plan-later = a day or more later
plan-alkalinity = alkalinity, mg/L CaCO3
plan-alkalinity-unseen = +{ $added }: below what most kits can tell
plan-alkalinity-added = +{ $added }
plan-nh3-peak = NH3-N, peak of a day, mg/L
plan-nh3-peak-limit = limit { $limit }; pH of { $hours } h
plan-nh3-mean = NH3-N, mean, mg/L
plan-nh3-mean-limit = limit { $limit }
plan-h2s = H2S, share of sulfide, %
plan-h2s-hidden = hidden as HS-, not removed
plan-stops = Not all of it dissolves: brucite stops at pH { $ph }. Less, or in parts.
plan-check-meter = A pH that is 0.1 off moves NH3-N by a fifth: check the meter before a large dose.
plan-how = How: stir the drum, spread along the upwind side, aerators on for 30 to 60 min, away from feed trays and probes. Read pH after 1, 4 and 24 h. Do not drain within 48 h without the adviser.
plan-caution = Slurry is alkaline: goggles, gloves, boots, eyewash; never with acid or chlorine. Guidance, not a substitute for local codes, vets or regulators. A person decides.

## plan feed. Names of rows have 34 columns, values 14, what is beside them 28.

feed-head = { $pond }: a day of { $kg } kg feed ({ $whence }) with { $protein } % protein in { $volume } m3
feed-as-said = as said
feed-mean = mean of { $days } of the last 7 days
feed-none = { $pond }: no feed is recorded on the last seven days. Record it, or say it with --feed-kg.
feed-range = { $least } to { $most }
feed-nitrogen = nitrogen in the feed, kg
feed-tan = TAN, mg/L as N
feed-solids = solids out, or none
feed-oxygen = oxygen it takes, mg/L
feed-oxygen-from = from air, aerators, algae
feed-nitrification = {"  "}of it for nitrification
feed-if-all = if all TAN is nitrified
feed-alkalinity = alkalinity used, mg/L CaCO3
feed-no-kit = none known by kit
feed-kit = of { $now } by kit
feed-phosphorus = phosphorus not kept, mg/L as P
feed-to-sludge = most goes to sludge
feed-how = How it was reckoned
struvite-unknown = Struvite: not known. TAN and phosphate by kits not older than 48 h, pH and temperature are needed.
struvite-measured = measured
struvite-as-sea = as in sea water of this salinity
struvite-with = TAN { $tan }, phosphate { $phosphate }, magnesium { $magnesium } mg/L ({ $whence }), pH { $ph }
struvite-in-water = in the water
struvite-in-pore = in the sludge's pore water
struvite-below = Struvite { $place }: index { $index }, { $times } times below saturation with { $with }. None forms, and the magnesium of a dose does not change that.
struvite-near = Struvite { $place }: index { $index } with { $with }: too near to saturation to tell.
struvite-above = Struvite { $place }: index { $index } with { $with }. At most { $most } mg/L could form.
struvite-none = Struvite { $place }: none can form with { $with }.
struvite-sludge = In the pore water of sludge it may be otherwise: measure TAN, phosphate and pH in it and give them with --sludge-tan, --sludge-phosphate and --sludge-ph.

## plan balance. Names of rows have 36 columns, values 10.

balance-head = { $pond }, from { $from } on: { $doses }, { $feed } kg of feed on record
balance-one-dose = 1 dose
balance-some-doses = { $doses } doses
balance-not-counted = { $doses } of them NOT COUNTED: solids or density of the lot are not in the configuration.
balance-alkalinity = Alkalinity
balance-hardness = Hardness
balance-unit = { $name }, mg/L as CaCO3
balance-too-few = { $name }: fewer than two kit values in this time. Enter one with each round: pondreeve enter --pond POND { $id }=...
balance-first = first kit value
balance-doses = doses since, at most
balance-dissolved = all dissolved
balance-nitrified = nitrification since, at most
balance-all-tan = all of the feed's TAN
balance-replaced = water replaced since, %
balance-expected = so it should be
balance-range = { $low } to { $high }
balance-last = last kit value
balance-unknown-water = { $share } % of the water was replaced, and what it brought is not known: give it with { $option }.
balance-within = The kit agrees with what is recorded.
balance-too-little = Too little was given for a kit to show: this neither confirms the doses nor speaks against them.
balance-above = MORE than what is recorded can bring. Read again with a fresh kit; is a dose or lime not in the diary, or did water come in?
balance-below = LESS than what is recorded leaves. Read again with a fresh kit; was a dose recorded but not given, or does acid soil or a stronger crop of bacteria use it up?
balance-how = How: a dose adds 1.716 mg/L as CaCO3 for each mg/L of Mg(OH)2 once dissolved, in alkalinity and in hardness; nitrifying 1 mg of N takes 7.14 of alkalinity, with TAN = protein x 0.144 (Ebeling, Timmons and Bisogni 2006, Aquaculture 257; from memory). Kits tell { $step } mg/L or 5 % (common practice, no source). Soil, rain, evaporation, algae and lime outside the diary are not counted.
balance-from-after-to = --from lies after --to, or ahead: give the earlier day to --from
balance-too-many = pond { $pond } has more than { $most } entries between { $from } and { $to }: give a later --from

## trial

trial-none = No trial is fixed. See pondreeve trial fix --help.
trial-head = Trial { $trial }{ $standing }: { $treated } treated, { $control } control
trial-replaced = {" "}(replaced by trial { $trial })
trial-rise = { $outcome } should rise
trial-fall = { $outcome } should fall
trial-days = { $from } to { $to }, at least { $before } days before the first dose and { $after } after
trial-chosen = ponds chosen by { $by }: { $reason }
trial-fixed = fixed { $day } by { $by }{ $place }{ $late }
trial-in-place = , in place of trial { $trial }
trial-late = , AFTER THE FIRST DOSE
trial-kept = Fixed, and on disk for good. Log feed, water let out, doses and anything else that is done to either pond: what is not logged cannot be held equal.
trial-not-shown = the daemon fixed the trial and does not show it
trial-no-calendar = { $from } to { $to } cannot be placed on the calendar; accepted are days such as 2026-05-01
outcome-dawn_minimum = lowest oxygen of the night
outcome-dusk_peak = highest oxygen of the day
outcome-night_fall = fall of oxygen by night
outcome-nh3_n = un-ionised ammonia (NH3-N), mean of the day
outcome-tan = total ammonia nitrogen (TAN)
outcome-nitrite = nitrite nitrogen (NO2-N)
outcome-sludge_ph = pH of the sludge
outcome-aeration_kwh = energy of the aerators
compared-before_after = before and after the first dose, treated less control
compared-doses = the day after each dose against the three days before, treated less control

## evidence

result-none = no trial is fixed in which { $pond } is treated; fix one before its first dose: pondreeve trial fix --help
result-effect = Effect
result-before = Before
result-after = After
result-doses = Doses
result-interval = { $effect }{ $unit }, 95 % interval { $low } to { $high } (standard error { $error })
result-usual = the usual test says { $low } to { $high }{ $chance }; { $why }, and it is not followed
result-usual-alone = it looks at the treated pond alone
result-usual-days = it takes the days for independent
result-chance = , p { $chance }
result-chance-small = , p below 0.001
result-shams = { $share } % of draws of sham days show as much
result-others = { $share } % of other days for the first dose would show as much
result-no-days = no days yet
result-worth = , worth { $days } independent
result-period = { $from } to { $to }: { $days } days, { $known } known in both ponds, { $lost } lost{ $worth }; treated { $treated }, control { $control } { $unit }
result-no-doses = none recorded in this time
result-counted = , { $count } count
result-lost = { $day } does not count: { $why }
result-differed = What else was different, before the first dose and after it
result-noted = Noted in either pond
result-together = Trials { $trials } together: { $verdict }.
result-how = How it was reckoned
result-alike = alike
result-share = NOT ALIKE, { $share } % beyond the control
result-change = NOT ALIKE, { $change } beyond the control
result-not-alike = NOT ALIKE
result-not-known = not known of both ponds
result-factor = { $factor }: treated { $treated } to { $treated_after }, control { $control } to { $control_after } { $unit }: { $verdict }
factor-unit-aeration = kWh/day
factor-unit-feed = kg/day
factor-unit-water = % of the pond a day

## What is wrong with a command line. English is clap's own; these are for farms with texts of their own.

usage-head = Usage:
usage-help = More: the same command with --help.
usage-no-value = '{ $argument }' needs a value and has none
usage-bad-value = the value '{ $value }' does not do for '{ $argument }'
usage-accepted = accepted: { $known }
usage-unknown = there is no '{ $argument }' here
usage-unknown-command = there is no command '{ $command }'
usage-missing = this is missing:
usage-missing-command = '{ $command }' needs to be told what to do
usage-twice = '{ $argument }' stands twice; accepted is once
usage-conflict = '{ $argument }' does not go together with:
usage-no-equals = '{ $argument }' takes its value behind an equals sign
usage-too-many = '{ $argument }' takes no further value such as '{ $value }'
usage-too-few = '{ $argument }' takes { $wanted } values and has { $found }
usage-no-utf8 = what was typed is not UTF-8
usage-meant = Did you mean { $meant }?
usage-as-value = If '{ $value }' is a value, write '{ $how }'.
usage-exists = There is '{ $what }'.
usage-number = accepted is a number from { $least } to { $most }{ $unit }, with a point for decimals
usage-above-nothing = accepted is a number above 0 and up to { $most }{ $unit }, with a point for decimals
usage-whole = accepted is a whole number from { $least } to { $most }{ $unit }
usage-number-of = accepted is the number of { $what }: a whole number from 1 on
usage-other = accepted is { $what }
usage-shrimp = shrimp
usage-days = days
usage-an-entry = an entry
usage-a-trial = a trial
usage-own-unit = in the quantity's unit
usage-shelve-lengths = a time such as 30m or 2h: at most 30m for a critical alarm, 1h for a high one, 12h for a medium one
usage-scan-listen = 1s to 240s
usage-scan-watch = 5s to 180s
usage-scan-timeout = 10ms to 5s
usage-commission-wait = a time such as 3m or 90s
usage-service-length = a time such as 30m: 1 min to 4 h
usage-pair = '{ $typed }' is no QUANTITY=VALUE, such as do_mg_l=5.3
usage-head-of-trail = '{ $typed }' is no record and hash: write its number, a colon and 64 hexadecimal digits
usage-line-setting = '{ $typed }' is no line setting: write a speed from 300 to 1000000, such as 9600, 19200-8E1 or 1200-7E1
usage-scan-server = '{ $typed }' is no host and port of a serial server: write such as 192.168.1.50:502
usage-addresses = '{ $typed }' is no list of addresses: write numbers from 1 to 247, such as 1-20,51
usage-sdi12-addresses = '{ $typed }' is no list of SDI-12 addresses: write characters of 0-9, A-Z, a-z, such as 0-9 or 1,A-F

## What any command may fail in, besides.

command-no-configuration = the configuration { $path } cannot be used:
command-no-runtime = starting this command's runtime failed: { $error }
command-no-json = writing the answer as JSON failed: { $error }
command-no-output = writing to standard output failed: { $error }
command-no-day = { $option } '{ $typed }' is no day: write a day of the farm, such as 2026-03-17, or RFC 3339 with an offset, such as 2026-03-17T05:00:00Z
recorded-list = a list records nothing

## alarms --measures. Names of rows 44 columns, figures 12, aims 22.

load-head = Alarms over the last { $days } days
load-measured = measured
load-aim = aim
load-day = raised in a day, mean
load-day-aim = under 10
load-night = raised in a night, mean
load-night-aim = under 2
load-ten = raised in ten minutes, mean
load-ten-aim = about 1, at most 2
load-most = most in any ten minutes
load-most-aim = at most 10
load-flooded = ten-minute periods with more than ten
load-flooded-aim = under 1 %
load-priority = critical, high, medium
load-priority-aim = about 5, 15, 80 %
load-frequent = share of the ten most frequent
load-frequent-aim = under 5 %, or a plan
load-chatter = chattering: three times in half an hour
load-chatter-aim = none
load-stale = stale: standing for more than a day
load-stale-aim = under 5
load-shelved = shelved now; shelved in all
load-waited = acknowledged after, median
load-waited-aim = critical: 15 min
load-little = Less than a day is known yet: these figures say little.
load-list = Most frequent
load-chattering = Chattering
load-standing = Stale
load-aside = Shelved
load-flood = A flood is on: more alarms come than anybody can read. Act on the top one.

## status --probes. The numbers below stand at the ends of these names.

probes-head = probe            polls   good late  sum addr exc  garb  p50 ms p95 ms last good
probes-means = late: no answer in time. sum: wrong checksum. addr: another address. In UTC.

## report, export

report-no-page = --out { $named } does not end in .html: give the name of the page, such as { $better }
report-not-made = making the page failed: { $error }
report-no-table = writing a table failed: { $error }
report-not-written = writing { $path } failed: { $error }; --out names a file in a folder that is there
report-too-long = a report covers { $days } days at most: give a later --from or an earlier --to
report-too-many = there are more than { $most } entries between { $from } and { $to }: give a later --from
export-trail-form = the audit trail has no { $form } form: accepted is csv or json
export-diary-form = the diary has no { $form } form: accepted is csv or json
export-not-for-screen = Parquet is not for the screen: send it to a file, such as with > readings.parquet
export-no-quantity = there is no quantity '{ $id }'; accepted is { $known }
export-from-after-to = --from lies after --to, or at it: give the earlier time to --from
export-no-time = { $option } '{ $typed }' is no time ({ $why }): write RFC 3339 with an offset, such as 2026-05-01T02:10:00Z
export-form-failed = writing { $form } failed: { $error }
export-too-many = more than { $most } between { $from } and { $to }: ask for less

## backup, verify, salvage

backup-no-path = { $folder } is no path: { $error }
backup-not-utf8 = { $folder } is not UTF-8: name a folder in plain letters
backup-done = { $pieces } pieces written to { $folder } and on disk
salvage-exists = { $place } exists already: name a place where nothing is
verify-whole = whole: { $pieces } sealed pieces, { $inputs } inputs
verify-damaged = DAMAGED OR MISSING in { $places } places; good are { $pieces } sealed pieces, { $inputs } inputs
verify-no-list = made by an earlier version, without a list of its files: that one is missing would not show here

## commission

commission-time = Farm time is { $at }.
commission-question = Question { $place } of { $of }
commission-horn-now = The horn is switched for a moment now.
commission-lamp-now = The lamp is switched for a moment now.
commission-not-made = making the sheet failed: { $error }
commission-not-written = writing { $path } failed: { $error }
commission-no-program = finding this program to start a daemon failed: { $error }
commission-not-started = starting a daemon for the check failed: { $error }
commission-own-daemon = No daemon answers: one runs for the length of this check.
commission-ended = the daemon started for the check ended at once ({ $status }): try `pondreeve run`, it says why
commission-no-answer = the daemon started for the check did not answer within 30 s
commission-waiting = Probes not heard from yet: { $probes }. Waiting for at most { $most }.
commission-prompt = [y/n, Enter to skip]
commission-accepted = Accepted is y, n or Enter.
sheet-title = Commissioning sheet
sheet-head = COMMISSIONING SHEET  { $farm } (gateway { $gateway })
sheet-gateway = Gateway
sheet-good = in order
sheet-bad = NOT IN ORDER
sheet-not-checked = not checked
sheet-probes = Probes
sheet-aerators = Aerators
sheet-outputs = Horn and lamp
sheet-lines = Lines
sheet-brokers = Brokers and destinations
sheet-clock = Clock
sheet-store = Store
sheet-horn = horn
sheet-lamp = lamp
sheet-all-ponds = all ponds
sheet-probe = { $probe } in { $place }, on { $link }
sheet-not-heard = was not heard of yet
sheet-gave-nothing = gave nothing in { $polls } polls{ $why }
sheet-why-silent = no answer in time { $count }
sheet-why-checksum = wrong checksum { $count }
sheet-why-address = another address { $count }
sheet-why-refused = refused { $count }
sheet-why-garbled = garbled { $count }
sheet-why-no-value = answers with no value { $count } (under or over range, or its own mark for none)
sheet-value = { $quantity } { $value } ({ $flag }, { $age } s old)
sheet-no-value = { $quantity } no usable value ({ $flag })
sheet-polls = { $good } of { $polls } polls good
sheet-answers = answers within { $ms } ms
sheet-time-outs = without an answer
sheet-checksums = with a wrong checksum
sheet-addresses = answered by another address
sheet-exceptions = refused
sheet-garbled = garbled
sheet-flag-good = good
sheet-flag-not-judged = not judged yet
sheet-flag-suspect = suspect
sheet-flag-failed = failed its tests
sheet-flag-missing = missing
sheet-group = group { $group } of { $pond } ({ $name })
sheet-group-untold = no probe tells whether it runs
sheet-group-runs = runs, { $kw } kW
sheet-group-stands = stands still, as its probe says
sheet-group-not-yet = its probe has not told yet whether it runs
sheet-no-output = none is configured: alarms are seen on the screen alone, and by those who are called
sheet-bus = bus
sheet-line = line
sheet-broker = broker
sheet-destination = destination
sheet-no-fault = { $place }: no fault
sheet-the-clock = clock
sheet-clock-kept = kept right by a time server or a receiver
sheet-clock-not-kept = NOT kept right by anything: it will drift, and a power cut may set it back
sheet-clock-unknown = nothing tells whether anything keeps it right
sheet-clock-seen = farm time { $at } (UTC), { $apart } s from this machine's; { $kept }
sheet-the-store = store
sheet-free-unknown = free room not known
sheet-free = { $mb } MB free
sheet-store-full = { $place }: only { $free }
sheet-store-good = { $place }: takes readings, { $free }
sheet-hangs = { $probe } hangs in { $pond }
sheet-lift = Lift probe { $probe } out of pond { $pond } ({ $name }) for a minute, from the bank. Does `pondreeve status` show oxygen change in { $pond }, and in no other pond?
sheet-told-right = group { $group } of { $pond } is told right
sheet-switch = Switch aerator group { $group } of pond { $pond } ({ $name }) off and on at its own panel, nobody in the water. Does `pondreeve status` show that group, and no other, stop and run?
sheet-did-it-sound = Did the horn sound just now, and is it heard where people sleep?
sheet-was-it-lit = Was the lamp lit just now?
sheet-telephone = clock against a telephone
sheet-does-it-agree = Does the farm time shown above agree with a telephone, to the minute?
sheet-not-tested = could not be tested: { $why }
sheet-seen = seen by a person
sheet-says-no = a person says no
sheet-switched = switched for a moment, confirmed; { $seen }
sheet-counts = { $points } points: { $good } in order, { $bad } not in order, { $rest } not checked
sheet-meaning = Checked at one moment, as far as the gateway can see it. The gateway never switches an aerator: its only outputs are the horn and the lamp.
sheet-what = What
sheet-what-seen = Seen
sheet-verdict = Verdict
sheet-before = Before you take over
sheet-signatures = Signatures
sheet-installed = Installed and checked by
sheet-taken-over = Taken over by
sheet-signature = Date and signature
sheet-caution-doubt = If in doubt, start aerators and look. A probe sees one spot at one depth, the forecast is an estimate, phone networks fail: no alarm is no proof that all is well.
sheet-caution-current = Electricity and water: nobody in the pond while aerators are live. Switch off, lock, tag. No repair goes by this gateway's advice; a licensed electrician and the local code decide.
sheet-caution-night = Night rounds alone: walk, do not run. Torch, life jacket, a check-in timer on the telephone; tell someone before walking out. Lightning means indoors.
sheet-caution-sulfide = Hydrogen sulfide collects in sludge pits, drains, pump sumps and tanks, and the nose tires of it. Never enter alone, nor to rescue: gas meter, ventilation, a trained team. Values of the water (mg/L) say nothing about the air (ppm).
sheet-caution-slurry = Slurry is alkaline: goggles, gloves, boots, an eyewash at hand. Never mix it with acid, chlorine or other products; keep the supplier's safety sheet.
sheet-caution-water = Water and sludge that are let out may need a permit, settling or reporting: ask for the local limit. None within 48 hours of a dose without the adviser.
sheet-caution-guidance = Guidance, not a substitute for local codes, licensed electricians, veterinarians or regulators.

## check: what a sound configuration comes to. Problems of a configuration are told in English.

check-no-profile = no built-in profile is called { $name }: known are { $known }
check-no-configuration = no configuration to check: name it with --config FILE
check-sound = { $file } is sound.
check-sound-but-one = { $file } is sound, with 1 warning above.
check-sound-but = { $file } is sound, with { $warnings } warnings above.
check-farm = { $farm } (gateway { $gateway }): ponds { $ponds }, probes { $probes }
check-pond = pond { $id }  { $name }
check-size = {"  "}{ $area } m2, { $depth } m deep, { $volume } m3
check-no-aerators = {"  "}no aerators
check-aerators = {"  "}aerators { $groups }: { $kw } kW
check-limits = {"  "}oxygen limits: warn { $warn }, critical { $critical }, emergency { $emergency } mg/L
check-probes = probes:
check-for-all = for all ponds:
check-several = several:
check-lowest-of = { $id } the lowest of { $all }
check-from = { $id } from { $first }
check-stand-in = stand-in { $rest }
check-bus = bus { $id }  { $place }
check-bus-load = {"  "}{ $setting }, { $probes } probes, { $percent } % of the line's time
check-behind = Modbus { $framing }, { $baud } bits/s behind it
check-line = line { $id }  { $place }
check-line-probes = {"  "}{ $kind }, { $setting }, { $probes } probes
check-text = lines of text
check-broker = broker { $id }  { $place }, { $probes } probes
check-destination = destination { $id }  { $place }
check-tls = { $place } with TLS
check-commands = commands  from { $people } by { $by }
check-horn = horn
check-lamp = lamp
check-coil = coil { $coil } of relay { $relay } on bus { $bus }
check-inverted = , inverted
check-gpio = line { $line } of { $chip }
check-active-low = , active low
check-horn-test = tested each day at { $at } for { $sound }
check-no-horn = no horn: an alarm makes no sound here
check-nobody-called = nobody is called
check-called = called
check-at-once = { $name } at once
check-after = { $name } after { $length }
check-then-each = then each { $length }
check-none = none

## plan dose: how far off NH3-N may be

plan-nh3-band = { $note }; ±{ $half }

## scan

scan-none = nothing answers
scan-one-unit = 1 unit answers
scan-units = { $count } units answer
scan-one-sensor = 1 sensor answers
scan-sensors = { $count } sensors answer
scan-nothing-readable = nothing readable came
scan-lines-came = lines came
scan-of-line = {" "}(line { $line })
scan-twice = address { $address } at { $setting }: two answers came to one question: two probes with this address
scan-garbled = address { $address } at { $setting }: { $bytes } bytes came, but no valid answer: two probes with this address, noise, or a bad cable or terminator
scan-garbled-by = address { $address } by { $setting }: { $bytes } bytes came, but no valid answer: two probes with this address, noise, a bad cable, or another speed or parity at the server than at the probe
scan-garbled-sensor = address { $address } at { $setting }: { $bytes } bytes came, but no valid answer: two sensors with this address, noise, or a bad cable
scan-noise = ; { $bytes } bytes of noise came before anything was asked
scan-absent = ; of { $count } the server says that nothing answers there
scan-no-text = ; { $bytes } bytes came that are no text: another speed, or noise
scan-tried = Tried { $setting }: addresses { $addresses }{ $noise }
scan-tried-text = Tried { $setting }{ $noise }
scan-took = Took { $seconds } s, waiting { $patience } ms for each answer.
scan-took-in-all = Took { $seconds } s.
scan-stopped = STOPPED EARLY: { $why }.
scan-not-tried = Not tried: { $left }.
scan-next = Next: { $step }
scan-known-as = , configured as { $ids }
scan-known-with = ; configured with { $ids }
scan-unit = address { $address } at { $setting }, answers in { $ms } ms{ $known }
scan-unit-by = address { $address } by { $setting }, answers in { $ms } ms{ $known }
scan-sensor = address { $address } at { $setting }{ $known }
scan-calls-itself = calls itself: { $name }
scan-nameless = does not say what it is: { $why }
scan-another-map = {" "}(another map fits these registers as well)
scan-another-profile = {" "}(another profile fits as well)
scan-more-values = {" "}(more values come than it knows: no evidence)
scan-no-evidence = {" "}(zeros or unusual values only: no evidence)
scan-fits = fits { $profile }{ $doubt }
scan-no-map = no register map that was tried fits:
scan-no-profile = no profile that was tried fits:
scan-holding = holding registers from 0: { $values }
scan-input = input registers from 0: { $values }
scan-no-value = none
scan-impossible = cannot be
scan-unusual = unusual in a pond
scan-usual = usual in a pond
scan-left-addresses = addresses { $addresses } at { $setting }
scan-left-addresses-by = addresses { $addresses } by { $setting }
scan-left-settings = { $settings } (probes of one line share one setting)
scan-outside-list = addresses outside the list
scan-left-ascii = Modbus ASCII (--kind ascii); SDI-12 and lines of text (--kind)
scan-left-rtu = Modbus RTU (--kind modbus); SDI-12 and lines of text (--kind)
scan-left-text = SDI-12 and lines of text (--kind)
scan-left-server = speed and parity of the line, which are set on the serial server itself and cannot be tried from here; SDI-12 and lines of text behind a server
scan-left-further = further measurements, aM1! to aM9! (--further)
scan-left-modbus = Modbus and lines of text (--kind)
scan-left-questions = questions that no known profile asks; Modbus and SDI-12 (--kind)
scan-mend = mend that and scan again.
scan-check-power = check the probes' power, swap the two wires A and B, and scan again; then `--timeout 400ms` for slow probes.
scan-check-server = look whether the server's speed and parity are those of the probes and what it is set to speak, check the probes' power, swap the two wires A and B, and scan again; then `--timeout 1s` for slow ones.
scan-check-behind = the server understands, and hears no probe: look whether its speed and parity are those of the probes, check their power, swap the two wires A and B, and scan again.
scan-check-sdi12 = check the sensors' 12 V, data and ground wires and scan again; `--wake adapter` where the adapter wakes them itself.
scan-check-text = check power, the receive and transmit wires and ground; a longer `--listen`, or `--profile FILE` with what the probe is asked.
scan-unplug = unplug all probes but one and scan again: two with one address answer at once.
scan-unplug-sensors = unplug all sensors but one and scan again: two with one address answer at once.
scan-nothing-new = nothing new is on this line; the daemon reads what is configured.
scan-put-it-in = hold { $file } against the probes' labels, say which pond each stands in, put it into the farm's configuration, and `pondreeve check --config FILE`.
scan-put-it-in-by-manual = hold { $file } against the probes' labels and manuals, say which pond each stands in, put it into the farm's configuration, and `pondreeve check --config FILE`.
scan-write-it = `pondreeve scan { $line } --addresses { $addresses } --write found.toml` writes this as configuration.
scan-write-kind = `pondreeve scan --line { $device } --kind { $kind } --write found.toml` writes this as configuration.
scan-no-values-for = no values for { $commands }
scan-asked = asked with "{ $ask }", it answers
scan-by-itself = sends by itself
scan-heard = at { $setting }: { $how }{ $known }
scan-ends-in = lines end in "{ $end }"
scan-promised-one = aM{ $number }! 1 value
scan-promised-some = aM{ $number }! { $values } values
scan-promises = says that it has further measurements, not made: { $each } (see --further)
scan-told = value { $position } is { $told }
scan-told-known = value { $position } is { $told }: { $quantity }
scan-with-checksums = with checksums
scan-without-checksums = without checksums
scan-announces-one = a{ $command }! ({ $checked }) announces 1 value after { $seconds } s
scan-announces = a{ $command }! ({ $checked }) announces { $values } values after { $seconds } s
scan-no-signals = listening for Ctrl-C failed: { $error }
scan-other-kind = the line { $line } speaks otherwise in the running configuration (line or bus { $bus }): leave --kind out
scan-server = { $line } is a serial server: name it with --server { $line } in place of --line
scan-server-speeds = speed and parity are set on the serial server itself and cannot be tried from here: leave --speeds out
scan-server-text = behind the serial server { $line } are SDI-12 sensors or lines of text in the running configuration (line { $bus }): behind a server only Modbus is scanned
scan-file-there = { $file } is there already and is never overwritten: name another file with --write
scan-no-pond-id = '{ $id }' is no id of a pond: accepted are lower-case letters, digits, `-` and `_`
scan-further-only = only SDI-12 sensors have further measurements: --further goes with --kind sdi12
scan-other-profile = '{ $name }' is a profile for { $kind }: Modbus is scanned with register maps, other lines with --kind
scan-no-profile-known = '{ $name }' is neither a file nor a known register map or profile: known are { $known }
scan-not-written = writing { $file }: { $error }; nothing was overwritten
scan-text-addresses = a line of text has no addresses: leave --addresses out
scan-text-wake = nothing is woken on a line of text: leave --wake out
scan-watched = watched { $looks } times, a second apart: last value, lowest, highest, and from _ (lowest) to ^ (highest)
scan-text-watch = a line of text is listened to as long as --listen says: leave --watch out
scan-watching = watching for { $seconds } s more (Ctrl-C ends it): lift a probe out or cover it, and see which moves
scan-text-further = a line of text has no further measurements: leave --further out
scan-profile-for = the profile `{ $profile }` is for { $kind }: name one of the line's own kind
scan-trying = trying { $setting }
scan-time-left = , { $seconds } s left
scan-progress = { $setting }: address { $address }, { $done } of { $of }, { $found } found{ $left }
scan-answers = address { $address } answers
scan-looking = looking at address { $address }
scan-recalled = the daemon needs the line for a moment
scan-listening = listening for { $seconds } s
scan-asking = asking as profile { $profile } says

## why, run, console

why-not-explained = explaining '{ $id }' failed: { $why }
run-failed = running the farm of { $path } failed: { $error }
terminal-unsuitable = cannot open the full-screen console: { $found }; it needs a terminal that can place text (vt100 or better). Use `pondreeve status` and `pondreeve alarms` for plain lines instead
