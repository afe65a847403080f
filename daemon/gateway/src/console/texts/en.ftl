### The console's texts in English. Keys, the names between braces and what stands between them are fixed; a farm's
### own language is a file like this one, with as many of the keys as it has words for. Say numbers, units and
### names as they are put in. Where a comment names columns, no text may be longer: the terminal has 80 of them.

## Times. Days from Monday on, months from January on, each a word of three letters.

weekdays = Mon Tue Wed Thu Fri Sat Sun
months = Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec
clock-unknown = clock unknown
age-under = under 1 min
age-minutes = { $minutes } min
age-hours = { $hours } h { $minutes } min
age-days = { $days } days

## How good a reading is. 9 columns; the short ones 4, the narrow one 7.

quality-good = good
quality-unchecked = unchecked
quality-suspect = SUSPECT
quality-failed = FAILED
quality-missing = MISSING
quality-unknown = UNKNOWN
quality-old = OLD
quality-short-good = good
quality-short-unchecked = unch
quality-short-suspect = SUSP
quality-short-failed = FAIL
quality-short-missing = NONE
quality-short-unknown = ??
quality-short-old = OLD
quality-narrow-unchecked = unchckd

## Quantities. 18 columns.

quantity-do_mg_l = Oxygen
quantity-temperature_c = Temperature
quantity-ph = pH
quantity-salinity_psu = Salinity
quantity-conductivity_ms_cm = Conductivity
quantity-pressure_hpa = Air pressure
quantity-depth_m = Depth
quantity-turbidity_ntu = Turbidity
quantity-orp_mv = Redox (ORP)
quantity-par_umol_m2_s = Light (PAR)
quantity-sludge_ph = Sludge pH
quantity-sludge_orp_mv = Sludge redox
quantity-tan_mg_l = TAN (as N)
quantity-nitrite_mg_l = Nitrite (as N)
quantity-nitrate_mg_l = Nitrate (as N)
quantity-phosphate_mg_l = Phosphate (as P)
quantity-alkalinity_mg_l = Alkalinity CaCO3
quantity-hardness_mg_l = Hardness CaCO3
quantity-calcium_mg_l = Calcium
quantity-magnesium_mg_l = Magnesium
quantity-iron_mg_l = Iron
quantity-sulfide_mg_l = Sulfide (as S)
quantity-secchi_cm = Secchi depth
quantity-aerator_on = Aerator on
quantity-aerator_kw = Aerator power
quantity-do_saturation_mg_l = Full saturation
quantity-do_saturation_percent = Oxygen saturation
quantity-nh3_n_mg_l = NH3-N (un-ionised)
quantity-h2s_s_mg_l = H2S-S (un-ionised)
quantity-co2_mg_l = CO2 dissolved
quantity-ph_swing = pH swing, 24 h
quantity-night_slope_mg_l_h = Oxygen slope
quantity-dawn_do_mg_l = Lowest by dawn

# The same in 13 columns, where the name above is longer.
quantity-short-do_saturation_mg_l = O2 full sat.
quantity-short-do_saturation_percent = O2 saturation
quantity-short-nh3_n_mg_l = NH3-N
quantity-short-h2s_s_mg_l = H2S-S
quantity-short-co2_mg_l = CO2
quantity-short-ph_swing = pH swing 24h
quantity-short-dawn_do_mg_l = Lowest O2
quantity-short-alkalinity_mg_l = Alkalinity
quantity-short-hardness_mg_l = Hardness
quantity-short-phosphate_mg_l = PO4 (as P)
quantity-short-nitrite_mg_l = NO2 (as N)
quantity-short-nitrate_mg_l = NO3 (as N)
quantity-short-sulfide_mg_l = Sulfide S
quantity-short-conductivity_ms_cm = Conductivity
quantity-short-pressure_hpa = Air pressure
quantity-short-sludge_orp_mv = Sludge redox
quantity-short-night_slope_mg_l_h = Oxygen slope
quantity-short-secchi_cm = Secchi depth

## Alarms. The mark has 4 columns, a state 14.

mark-1 = <1C>
mark-2 = /2H\
mark-3 = [3M]
priority-1 = CRITICAL
priority-2 = HIGH
priority-3 = MEDIUM
act-within-1 = act within 15 min
act-within-2 = act within the hour
act-within-3 = act today
state-unacknowledged = UNACKNOWLEDGED
state-acknowledged = acknowledged
state-returned-unacknowledged = OVER, NOT ACK.
state-normal = normal
state-latched-unacknowledged = OVER, NOT ACK.
state-latched-acknowledged = over, reset it
state-shelved = shelved
state-suppressed-by-design = counted inside
state-out-of-service = out of service
held-shelved = { $count } shelved
held-inside = { $count } counted in others
held-alarm-shelved = { $name } ({ $id }) is shelved until { $until } by { $by }: { $reason }
held-alarm-inside = { $name } ({ $id }) is counted in { $root }
held-alarm-state = { $name } ({ $id }) is { $state }
probe-out = { $probe } is out of service until { $until } ({ $by })
probe-overdue = { $probe } is overdue for service: { $what }
probe-overdue-by = { $what } by { $late }
day-trend = ({ $slope } a week)
day-balance = made { $made }{ $trend }, used { $used }, net { $net } mg/L
called-times = { $times } times
called-not-reached = NOT REACHED
called-under-way = under way
called-next = next { $name } { $at }
called-nobody = nobody yet
horn-test-no-reason = no reason is known
horn-test-done = test { $at }: it answered
horn-test-left-out = test { $at } left out: { $why }
horn-test-failed = TEST { $at } FAILED: { $why }

## Answers to a key. One row of 79 columns.

no-daemon = no connection to the daemon.
said-acknowledged = Acknowledged.
said-acknowledged-what = Acknowledged: { $label }.
said-acknowledged-but = Acknowledged, but: { $warning }
said-not-acknowledged = NOT acknowledged: { $why }
said-kept = Kept: { $said }.
said-kept-converted = Kept: { $said } ({ $converted }).
said-kept-different = Kept. { $difference }
said-kept-but = Taken, but: { $warning }
said-not-kept = NOT kept: { $why }
said-no-limits = No limits now: { $why }
said-no-diary = No diary now: { $why }
said-not-explained = Not explained: { $why }
not-acknowledged-no-daemon = NOT acknowledged: no connection to the daemon. Nothing is sent later by itself.
nothing-to-acknowledge = Nothing to acknowledge.
somebody = somebody
already-acknowledged = Already acknowledged by { $by }.
acknowledgement-under-way = The acknowledgement is on its way.
another-on-top = Another alarm has just come on top. Read it, then press a again.
place-farm = Farm
place-gateway = Gateway
acknowledging = Acknowledging { $label } ...
no-such-pond = There is no pond { $digit }: the farm has { $ponds }.
no-farm-yet = No farm is known yet, so nothing can be entered.
cannot-ask-why = Cannot ask why: { $why }
nothing-to-explain = Nothing to explain.
left-unsent = Left without sending anything.
not-sent-no-daemon = NOT sent: no connection to the daemon. What you typed stays here.
sending = Sending ...
sending-wait = Sending; wait for the answer.
cannot-shelve = Nothing can be shelved: { $why }
cannot-reset = Nothing can be reset: { $why }
no-alarm-to-shelve = No alarm to shelve.
silent-inside = It announces nothing already: it is counted in another.
silent-out = It announces nothing already: it is out of service.
acknowledge-first = Acknowledge it first (a), look, then press r.
none-to-reset = No alarm waits to be reset.
left-unshelved = Left without shelving anything.
shelved = Shelved. It comes back by itself.
not-shelved = NOT shelved: { $why }
taken-back = Taken back: it speaks again.
not-taken-back = NOT taken back: { $why }
checked-off = Checked off.
not-reset = NOT reset: { $why }
but = But: { $warning }
left-unrecorded = Left without recording anything.
not-recorded = NOT recorded: { $why }
not-recorded-yet = NOT recorded yet. Enter once more: it was so. Else type it anew.
kept-as-entry = Kept as entry { $number }.
another-answer = the daemon gave another answer
not-changed = NOT changed: { $why }
limit-press-why = Why? Press 1 to 5; Esc goes back.
limit-type-first = Type the new value first. Nothing typed takes back what was changed.
limit-no-number = That is no number.
limit-none-marked = No limit is marked.
only-digits = Only digits here. Esc leaves; then the other keys work.
limit-changed = Changed. It is in the audit trail with your name.
limit-changed-but = Changed, but: { $warning }

## Putting an alarm aside. A length has 8 columns.

shelve-press-why = Why? Press 1 to { $last }; arrows change how long; Esc leaves.
shelve-needs-why = A reason is asked for: press 1 to { $last }.
length-hours = { $hours } h
shelve-reason-1 = known, and being mended
shelve-reason-2 = a probe or a part is being serviced
shelve-reason-3 = false alarm, a probe is to be changed
shelve-reason-4 = adviser has agreed to it
shelve-reason-5 = test
shelve-title = Put an alarm aside for a while
shelve-over = It is not in alarm any more. Esc leaves.
shelve-for = For
shelve-longest = arrows change it; at most { $longest }
shelve-why = Why? This key sends it:
shelve-told = It stays on the list with your name and the reason, and comes back by itself, in alarm if its cause still stands. The water is no better for it.

## Limits. Texts of the list have 38 columns.

limit-reason-1 = the adviser said so
limit-reason-2 = the crop or its size has changed
limit-reason-3 = the water of this pond is usually so
limit-reason-4 = for the time of a treatment or repair
limit-reason-5 = the last change was a mistake
limits-title = Limits of { $pond }
limits-place = { $place } of { $all }
limits-changed-by = CHANGED from { $configured } by { $by }
limits-take-back = { $key } back to { $configured } as configured. Why? This key sends it:
limits-change = { $key } from { $old } to { $new }. Why? This key sends it:
limits-changed-why = CHANGED from { $configured } to { $value } by { $by } at { $at }: { $reason }. Enter with nothing typed takes it back.
limits-source = From: { $source }
limits-no-source = No source is given.

## Readings by hand. The label of the time has 11 columns.

entry-title = Readings made by hand
entry-sampled-at = Sampled at
entry-time-hint = hh:mm, farm time; empty for now
entry-probe-says = The probe says { $value } mg/L oxygen ({ $quality }, { $age } old).
entry-as = mg/L as { $basis } (u)
entry-as-unknown = as? press u
entry-only-digits = Only digits here. Esc leaves the form; then the other keys work.
entry-choose-pond = Choose the pond: 1 to { $last }, or left and right arrows.
which-pond-arrows = Which pond? 1 to { $last }, or left and right arrows.
which-pond = Which pond? 1 to { $last }.
press-pond = press 1 to { $last }
label-pond = Pond
or = or
entry-what-kit = { $name }: what does the kit count? Press u until it says { $bases }.
entry-converted = { $text } as { $from } is { $stored } as { $to }
entry-nothing-typed = Nothing typed yet. Esc leaves the form.
entry-different = { $pond } oxygen by hand { $hand }, probe { $probe } mg/L: wipe the probe, compare again.
entry-probe-reads = ; the probe reads { $value }
entry-accepted = accepted: { $low } to { $high } { $unit }
entry-cannot-be = { $name } { $value } cannot be; { $accepted }.
entry-no-number = { $name }: `{ $text }` is no number; { $accepted }.
entry-no-time = { $label }: `{ $text }` is no time of day; accepted: 00:00 to 23:59, or empty for now.
entry-no-clock = The farm's clock is not known, so leave the time empty.

## What was done. Labels and kinds have 12 columns, hints 53.

diary-title = What was done, newest first
diary-record = d: record something
diary-none = Nothing in the last 14 days.
diary-withdrawn = WITHDRAWN
diary-superseded = SUPERSEDED by #{ $number }
diary-form-title = Record what was done
diary-label-what = What
diary-at = At
diary-what-done = What was done?
diary-no-lot = no lot in the configuration
diary-one-lot = { $lot } if none is chosen
diary-one-of = 1 to { $last }
diary-kept = Kept as entry { $number }, pond { $pond }
diary-back = Enter: back. Wrong? pondreeve record --correct
diary-why-dosed = plan dose says NOT NOW. Why was it given? Press a number, or Enter to leave it.
diary-choose-one = Choose one: 1 to { $last }.
diary-what = What was done? A number, or arrows and Enter.
diary-no-number = { $label }: `{ $text }` is no number.
diary-type-number = { $label }: type the number.
diary-whole-number = { $label }: a whole number is accepted.
diary-choose-number = { $label }: choose a number.
kind-feed = feed
kind-dose = dose
kind-drain = drain
kind-exchange = exchange
kind-sampling = sampling
kind-mortality = mortality
kind-harvest = harvest
kind-disturbance = disturbance
kind-weather = weather
kind-note = note
kind-sludge = sludge
kind-count = count
kind-withdrawal = withdrawal
kind-stocking = stocking
kind-cost = cost
kind-price = price
kind-reading = reading
kind-acknowledgement = acknowledgement
kind-shelving = shelving
kind-reset = reset
kind-service = service
field-level-before = Level before
field-level-after = Level after
field-filled-to = Filled up to
field-or-volume = or volume
field-ended-at = Ended at
field-feed = Feed
field-tray-left = Tray left
field-slurry = Slurry
field-or-slurry = or slurry
field-containers = Containers
field-lot = Lot
field-shrimp = Shrimp
field-weight = Weight
field-dead = Dead
field-or-dead = or dead
field-harvested = Harvested
field-body-weight = Body weight
field-price = Price
field-which = Which
field-weather = Weather
field-note = Note
field-ph = pH
field-redox = Redox
field-thickness = Thickness
field-measured = Measured
field-left = Left
field-delivered = Delivered
field-gone = Gone because
field-stocked = Stocked
field-for = For
field-spent = Spent
field-of = Of
hint-m = m
hint-level-after = m, at the lowest
hint-filled-to = m, if it was
hint-volume = m3, where no levels were read
hint-time = hh:mm, if known
hint-kg = kg
hint-tray-left = %, if looked at
hint-weighed = kg, weighed
hint-measured-out = L, measured out
hint-containers = emptied, such as 1.5
hint-counted = counted
hint-together = g, together
hint-body-weight = g each, if weighed
hint-price = for a kg, if known
hint-mv = mV
hint-cm = cm
hint-left = full ones, an opened one as its part: 4.5
hint-delivered = since the last count, if any came
hint-thousands = thousands
hint-in-all = in all
hint-price-of = for a kg or kWh
weather-1 = clear
weather-2 = part cloud
weather-3 = overcast
weather-4 = rain
weather-5 = heavy rain
weather-6 = storm
weather-7 = hot and still
weather-8 = windy
weather-9 = fog
note-1 = shrimp at the surface or the edge
note-2 = water colour changed
note-3 = foam or dead algae
note-4 = power was out
note-5 = generator ran
note-6 = feeder or aerator repaired
note-7 = bad smell at the bottom
note-8 = adviser called
note-9 = visitors at the ponds
cost-1 = feed
cost-2 = power
cost-3 = fuel
cost-4 = labour
cost-5 = post-larvae
cost-6 = slurry
cost-7 = repair
cost-8 = treatment
cost-9 = other
harvest-1 = partial: some stay
harvest-2 = final: the pond is empty
method-1 = in place
method-2 = in a sample
method-3 = diluted 1:1
gone-1 = spilled or spoilt
gone-2 = lent or sold
gone-3 = sent back
gone-4 = thrown away
gone-5 = counted wrongly before
dosed-1 = the adviser approved it
dosed-2 = the farm manager ordered it
dosed-3 = pH and ammonia measured since are lower
dosed-4 = alkalinity or the bottom was too bad to wait
dosed-5 = by mistake
priced-1 = shrimp
priced-2 = feed
priced-3 = slurry
priced-4 = power

## The overview. Headings of the table: pond 9 columns, oxygen 6, quality 8, share 4, slope 5, below 5, lowest 4,
## spread 9, at 5, what to do 12, in two rows. A short limit has 4, a crossing 5.

in-doubt = If in doubt, start aerators and look.
no-reason = no reason given
farm-no-alarms = No alarms.
farm-no-alarms-then = No alarms when last heard.
farm-lowest = Lowest expected: { $pond } { $lowest } mg/L ({ $low } to { $high }) at { $at }.
farm-no-forecast = No forecast.
farm-no-forecast-why = No forecast: { $why }.
farm-aerators = aerators { $states }.
farm-more-ponds = { $more } more ponds, { $alarmed } of them in alarm: up and down arrows
farm-since-state = since { $since }, { $state }
farm-more-alarms = { $more } more alarms and faults: press Tab
gateway-fault = Gateway: { $part }: { $detail } since { $since }
limit-short-1 = warn
limit-short-2 = crit
limit-short-3 = emer
head-pond = Pond
head-oxygen = Oxygen
head-quality = quality
head-age = age
head-share = sat.
head-slope = mg/L
head-per-hour = per h
head-below = below
head-lowest = low-
head-lowest-2 = est
head-spread = 80% sure
head-at = at
head-do = Do
crossing-below = below
crossing-may = may
crossing-no = no

## What is told of a pond's oxygen.

oxygen-not-measured = Oxygen is not measured in this pond: go by the hand meter.
oxygen-no-reading = NO OXYGEN READING ({ $quality }, for { $age }). Go by the hand meter.
oxygen-value = { $value }, { $quality }, { $age } old
oxygen-slope = { $slope } mg/L per h
oxygen-share = { $share }% saturated
left-not-known = Not known: no forecast ({ $why }).
left-until = { $left } to below { $limit } mg/L (about { $at }, { $likely }% likely)
left-at = below { $limit } mg/L at about { $at } ({ $likely }% likely)
left-risk = { $risk }% risk of below { $limit } mg/L
left-lowest = lowest { $lowest } (80% sure: { $low } to { $high }) at { $at }
left-lowest-was = lowest was to be { $lowest } (80% sure: { $low } to { $high }) at { $at }
left-as-of = as of { $at }: { $left }

## What to do. The short ones have 12 columns, those with `line` 45.

aerators = aerators
and = and
do-no-connection = Not known: no connection. If in doubt, start aerators and look.
do-none-yet = No advice yet.
do-until = until about { $at }
do-all-run = ALL AERATORS RUN ALREADY: go and look.
do-why-stopped = FIND OUT WHY { $groups } STOPPED, then start again.
do-start-now = START { $groups } NOW{ $until }, and look.
do-no-time = a time not given
do-start-at = Start { $groups } at { $start }{ $until }{ $energy }.
do-keep-on = Keep { $groups } RUNNING. Nothing more to start.
do-rest = No more aeration needed in the coming hours.
do-unknown = No advice possible.
do-line-no-connection = No connection: go and look.
do-line-unknown = NO ADVICE POSSIBLE: go and look.
do-line-keep-on = Keep on what runs.
do-line-rest = No more aeration needed for now.
do-short-look = go and look
do-short-look-now = GO AND LOOK
do-short-start-now = START NOW
do-short-start = START { $groups }
do-short-keep-on = keep on
do-short-rest = rest
aerator-on = on
aerator-off = off
aerator-stopped = STOPPED
aerators-none = no aerators set up

## The alarm on top, and the list of alarms. Labels of the panel have 7 columns; of the list 6, 13, 10, 9, 14.

since = since { $at }
acknowledgement-sent = Acknowledgement sent, waiting for the daemon ...
panel-what = What
panel-called = Called
panel-oxygen = Oxygen
panel-left = Left
panel-do = Do
panel-caution = Walk, do not run. Nobody in the water while aerators are live.
panel-over = It is over. Look at every pond, then press r to take it off.
panel-acknowledged = Acknowledged by { $by }. It stands until the cause is gone.
panel-no-connection = It cannot be acknowledged from here without a connection.
panel-is-over = It is over.
panel-keys = Press a (or space, or Enter) to acknowledge.
panel-keys-horn = Press a (or space, or Enter) to acknowledge: the horn falls silent.
panel-key = Press a to acknowledge.
alarms-alarm = Alarm
alarms-where = Where
alarms-what = What
alarms-since = since
alarms-state = state
alarms-in-all = { $all } alarms in all: up and down arrows
alarms-waiting = Waiting to be forwarded to other systems: { $waiting }
alarms-over = Over since { $changed }. Look at it, then press r. Id: { $id }
alarms-by = Acknowledged by { $by }; last change { $changed }. Id: { $id }
alarms-nobody = Nobody has acknowledged; last change { $changed }. Id: { $id }

## Names of the daemon's alarms by the last part of their id. 30 columns.

alarm-do-low-warn = Oxygen low
alarm-do-low-critical = Oxygen critically low
alarm-do-low-emergency = Oxygen emergency
alarm-do-falling = Oxygen falling fast
alarm-do-forecast-warn = Oxygen forecast low
alarm-do-forecast-critical = Oxygen forecast critically low
alarm-do-blind-high = Oxygen not observed at night
alarm-do-blind-critical = Oxygen not observed at night for long
alarm-aerator-stopped = Aerator stopped at night
alarm-aerators-stopped = Several aerators stopped at night
alarm-ph-low-warn = pH low
alarm-ph-low-critical = pH critically low
alarm-ph-high-warn = pH high
alarm-ph-high-critical = pH critically high
alarm-nh3-mean-warn = Un-ionised ammonia high all day
alarm-nh3-mean-critical = Un-ionised ammonia critical all day
alarm-nh3-peak-warn = Un-ionised ammonia peak high
alarm-nh3-peak-critical = Un-ionised ammonia peak critical
alarm-plankton-crash = Plankton may have crashed
alarm-plankton-bloom = Plankton blooms
alarm-do-limits-lax = Oxygen limits set dangerously low
alarm-dose-due = Dose due
alarm-ph-check-1h = pH to be read 1 h after a dose
alarm-ph-check-4h = pH to be read 4 h after a dose
alarm-ph-check-24h = pH to be read 24 h after a dose
alarm-dose-count = Dose and containers disagree
alarm-do-high = Oxygen very high
alarm-do-high-percent = Oxygen far above saturation
alarm-ph-swing = pH swings widely
alarm-temperature-low-warn = Temperature low
alarm-temperature-low-critical = Temperature critically low
alarm-temperature-high-warn = Temperature high
alarm-temperature-high-critical = Temperature critically high
alarm-temperature-change-hour = Temperature changes fast
alarm-temperature-change-half-day = Temperature has changed much
alarm-salinity-low = Salinity low
alarm-salinity-change-warn = Salinity has changed
alarm-salinity-change-critical = Salinity has changed much
alarm-stratified = Fresh water lies on top
alarm-tan-warn = Total ammonia high
alarm-tan-critical = Total ammonia critical
alarm-nitrite-warn = Nitrite high
alarm-nitrite-critical = Nitrite critical
alarm-alkalinity-low-warn = Alkalinity low
alarm-alkalinity-low-critical = Alkalinity critically low
alarm-alkalinity-high = Alkalinity high
alarm-secchi-low = Water very green: disc vanishes early
alarm-secchi-high-warn = Water very clear
alarm-secchi-change = Clearness changed within a day
alarm-phosphate-high = Phosphate high
alarm-iron-warn = Iron high
alarm-iron-critical = Iron very high
alarm-h2s-warn = Hydrogen sulfide high
alarm-h2s-critical = Hydrogen sulfide critical
alarm-sludge-ph-low-warn = Sludge sour
alarm-sludge-ph-low-critical = Sludge very sour
alarm-probe-fault = Probe { $which } faulty
alarm-node-silent = Node { $which } silent
alarm-power-lost = Power lost, aerators off
alarm-gateway-store = Readings store faulty
alarm-gateway-bus = Serial bus { $which } faulty
alarm-gateway-broker = Broker of readings { $which } faulty
alarm-gateway-forward = Forwarding { $which } faulty
alarm-gateway-clock = Clock faulty
alarm-gateway-machine = Computer { $which } faulty
alarm-gateway-quarantine = Monitoring program faulty
alarm-gateway-horn = Horn { $which } faulty
alarm-gateway-call = Calling people { $which } faulty

## A pond.

no-ponds = This farm has no ponds.
asking = Asking the daemon ...
sun = sunset { $set }, sunrise { $rise }
pond-do = Do: { $what }
pond-left = Left: { $what }
pond-aerators = Aerators: { $states }
pond-day = Day: { $day }
pond-probe-or-water = Oxygen: { $line } (w why)
pond-probes = Probes: { $notes }
pond-limits-changed = Limits changed: { $limits } (l)
pond-no-reading = No reading yet.
pond-more = { $hidden } more
pond-per-hour = { $slope } per h

## The night and the last nights. Names of limits 9 columns; `now` with its time 11; headings of nights 11, 7, 6, 18, 4, 6;
## yes and no 4.

limit-1 = warn
limit-2 = critical
limit-3 = emergency
chart-oxygen = Oxygen, mg/L: { $marks }
chart-marks = { $dot } measured  ? suspect{ $forecast }  - limits
chart-course = o expected  I 80% sure
chart-fan = o expected  : 80% sure
chart-asking = asking the daemon for the curve ...
chart-no-curve = no curve ({ $why })
chart-nothing = nothing stored in this time{ $forecast }
chart-old = (old)
chart-now = now { $at }
night-title = { $pond }: tonight
night-no-forecast = NO FORECAST: { $why }.
night-sunset = Sunset is at { $at }.
hand-meter = Go by the hand meter.
night-lowest = Lowest expected: { $lowest } mg/L at about { $at } (80% sure: { $low } to { $high }).
night-old = OLD, as of { $at }:
night-chances = Chance of below { $chances }.
night-is-now = it is now
night-under = under { $percent }
night-over = over { $percent }
night-about = (about { $at })
night-made = Forecast of { $at }, from: { $basis }.
nights-title = { $pond }: last nights
nights-not-known = The nights are not known: { $why }
nights-none-yet = No night is listed yet. Each is listed an hour after sunrise, if its oxygen was measured for most of it. Press n for tonight.
nights-sunrise = Sunrise is at { $at }.
nights-night-of = Night of
nights-lowest = Lowest
nights-at = at
nights-forecast = forecast, 80% sure
nights-off = off
nights-within = within
nights-range = { $lowest } ({ $low } to { $high })
nights-no-forecast = none could be made
nights-note-1 = off: forecast made 2 h after sunset less what came, mg/L; + promised too much.
nights-note-2 = ~ made later. within: low inside the 80% range. Bars: the low, | limits.
nights-none-had = None of these nights had a forecast.
nights-summary = Forecasts: off by { $off } mg/L on average; { $inside } of { $all } lows within their range.
yes = yes
no-loud = NO

## Around the page.

header-none = no alarms
header-one-seen = 1 alarm, acknowledged
header-all-seen = { $all } alarms, all acknowledged
header-one-new = 1 ALARM, NOT ACKNOWLEDGED
header-all-new = { $all } ALARMS, NONE ACKNOWLEDGED
header-some-new = { $all } ALARMS, { $new } NOT ACKNOWLEDGED
header-flood = FLOOD
header-horn = HORN ON
header-as-of = as of { $at }
lost-since-for = NO CONNECTION since { $since } ({ $age }): DO NOT TRUST THESE NUMBERS
lost-since = NO CONNECTION since { $since }: DO NOT TRUST THE NUMBERS
lost-again = Trying again.
banner-sent = sent, waiting
banner-key = a = acknowledge
banner-key-short = a = ack
unheard-waiting = waiting for the daemon's first answer
unheard-title = NO NUMBERS YET
unheard-told = The console keeps trying. Until it shows numbers, nobody watches the oxygen for you here: walk (do not run) to the ponds with the hand meter, and tell someone before you go.
key-quit = q quit
small-no-connection = NO CONNECTION
small-nothing = No alarm to acknowledge.
small-hint = Window too small: { $least } or more.
lines = lines { $first } to { $last } of { $all }: up and down arrows

## Keys, in the last row: 79 columns with two between any of them. What does not fit is left out at the end.

footer-farm = a acknowledge | 1-9 pond | n night | e enter | d done | Tab alarms | w why | ? help | q quit
footer-pond = a acknowledge | 1-9 pond | n night | e enter | d done | l limits | w why | 0 farm | ? help | q quit
footer-night = a acknowledge | n last nights | 1-9 pond | w why | Esc pond | ? help | q quit
footer-nights = a acknowledge | n tonight | 1-9 pond | w why | Esc pond | ? help | q quit
footer-alarms = a acknowledge | s shelve | r reset | w why | up down | Esc farm | ? help | q quit
footer-done = a acknowledge | d record | up down | 1-9 pond | Esc farm | ? help | q quit
footer-diary = Enter send, or go on | Tab next | a acknowledge | Esc leave
footer-shelving = 1-5 why, and send | arrows how long | a acknowledge | Esc leave
footer-limits = up down | digits new value | Enter, then why | a acknowledge | Esc leave
footer-help = a acknowledge | up down | Esc farm | q quit
footer-why = a acknowledge | up down | w ask again | Esc back | q quit
footer-entry = Enter send | Tab next | u kit | Left Right column | a acknowledge | Esc leave

## Help. Keys and cautions stand on the first screen: 20 rows of 79 columns.

help-keys = KEYS
help-keys-acknowledge = a, space or Enter: acknowledge the alarm on top; on the alarm page, the marked one.
help-keys-pages = 1 to 9: open a pond. Up, down: choose. Tab: next page. Esc or 0: the farm. ?: this page.
help-keys-tasks = n: tonight's oxygen; again: the last nights. e: enter a hand reading. d: what was done; again: record it. w: why. q: leave; the daemon goes on. Ctrl-L: redraw.
help-keys-aside = l: the limits of the chosen pond, and changing one. s: put the alarm aside for a while, with a reason; on a shelved one, take it back. r: check off what is over and latched.
help-cautions = BEFORE YOU WALK OUT
help-caution-doubt = If in doubt, start aerators and look. The numbers are guidance: a probe sees one spot at one depth, a forecast is an estimate, and telephone networks fail. This program recommends; it does not switch aerators.
help-caution-walk = Walk, do not run, on a wet dike. Tell someone before you go, wear a life jacket, set a check-in time. Lightning: go indoors.
help-caution-current = Electricity and water: nobody in the pond while aerators are live. Switch off, lock, tag. Do not reset a tripped breaker again and again. A licensed electrician and the local code decide.
help-caution-pits = Sludge pits, drains and sumps: hydrogen sulfide kills, and the nose stops smelling it. Never enter alone or to rescue.
help-caution-slurry = Mineral slurry is alkaline: goggles, gloves, boots; mix it with nothing. Dead or sick shrimp: call the vet or the authority, and discharge nothing.
help-signs = SIGNS
help-sign-priorities = <1C> critical: act within 15 minutes. /2H\ high: within the hour. [3M] medium: the same day. ! not acknowledged.
help-sign-quality = good: passed its tests. unch, unchckd: not checked, such as a value entered by hand. SUSP: suspect, compare with the hand meter. FAIL: failed its tests. NONE: nothing arrives. OLD: not the present value.
help-sign-values = 2.81? do not rely on it. -- no value. <1m 12m 3h 2d: age.
help-sign-below = below 4.0, below 3.0: the time at which oxygen is expected to fall below that limit tonight. `below`: it is below now. `may`: more than 1 in 10. `no`: not expected. `?`: the reading is in doubt.
help-sign-spread = 80% sure: in 8 of 10 such nights the lowest oxygen should lie in this range. On the page of the night: o the expected course, : the edges of that range.
help-sign-times = All times are the farm's own.

## Why.

caution = Walk, do not run. Nobody enters the water while aerators are live. If in doubt, start aerators and look.
why-in-english = This explanation is in English.
why-lines = as of { $at }; { $lines }
why-side-probe = probe
why-side-water = water
why-probe-or-water = Probe or water
why-raised = Raised when
why-cleared = Cleared when
why-limit-from = Limit from
why-readings = Readings
why-worked-out = Worked out
why-forecast = Forecast
why-by-probe = probe { $probe }
why-by-hand = by hand
leaning-do-water = Act on the reading: start aerators and look.
leaning-do-unsure = Act as if the water were bad: start aerators, then measure beside the probe with a hand meter.
leaning-do-probe = Start aerators all the same, then measure beside the probe with a hand meter and enter it; clean the probe by daylight.
clue-kind-shape = shape
clue-kind-companions = companions
clue-kind-timing = timing
clue-kind-response = response
clue-kind-tests = tests
source-oxygen-saturation = Benson & Krause 1984, pressure term of APHA Standard Methods 4500-O
source-nh3-fraction-nbs = Emerson et al. 1975, salt term of Khoo et al. 1977
source-oxygen-transfer = form of ASCE/EWRI 2 and IS 13166:1992
source-h2s-fraction = Millero, Plese & Fernandez 1988
source-nitrite-limit = low-salinity nitrite study, Aquaculture Research 2016; Gross et al. 2004; Lin & Chen 2003; 2 and 5 mg/L: common practice, no source
source-theil-sen = Theil 1950, Sen 1968; ties after Kendall
why-no-value = no value that may warn
why-age = , { $age } ago at { $at }
why-nothing-came = , nothing came yet
why-input = { $what }, { $by }: { $value }, flag { $flag } { $quality }{ $age }
why-test = test { $test } { $flag }: { $says }

## What the console says of the line to the daemon.

daemon-silent = the daemon is connected but says nothing
unexpected-answer = unexpected answer { $reply }

## Plain lines of `status` and `alarms`.

plain-horn = Horn
plain-probe = Probe
plain-advice-only = Advice only; nothing is switched.
plain-acknowledge = To say that you have seen one: pondreeve acknowledge { $id }
plain-one-new = 1 alarm, NOT ACKNOWLEDGED
plain-some-new = { $all } alarms, { $new } NOT ACKNOWLEDGED
plain-flood = FLOOD OF ALARMS: act on the top one
plain-not-acknowledged = NOT ACKNOWLEDGED, { $within }
plain-acknowledged-by = acknowledged by { $by }
plain-over = over since { $over }, NOT ACKNOWLEDGED
plain-over-latched = over since { $over }, NOT ACKNOWLEDGED, then to be reset
plain-over-reset = over since { $over }: look, then say so with pondreeve reset { $id }
plain-called = called:
plain-fault = gateway, { $part }, since { $since }: { $detail }
plain-waiting = { $waiting } messages wait to be forwarded
plain-running = running
plain-off = off
plain-not-known = not known
plain-aerators = Aerators
plain-tonight = Tonight
plain-forecasts = Forecasts of late
plain-oxygen = Oxygen
plain-advice = Advice
plain-day = Last day
plain-diary = Diary
plain-aeration = Aeration
plain-no-forecast = no forecast: { $why }
plain-score = off by { $off } mg/L on average over { $nights } { $nights ->
    [one] night
   *[other] nights
}, { $inside } of them inside the 80 %
plain-day-oxygen = oxygen { $day }
plain-day-unknown = what was made and used up is not known: { $why }
plain-starts = Starts advised { $asked }, followed { $followed }.
plain-energy = { $kwh } kWh since sunset ({ $day }), { $habit } by the habit of all from dusk to dawn.
crop-day = day of culture { $day }
crop-each = { $grams } g each
crop-biomass = about { $guess } kg (a guess; { $most } at most)
crop-fed = fed { $kg } kg in { $meals } { $meals ->
    [one] meal
   *[other] meals
} today
crop-dose = last dose { $date }
crop-strength = { $strength } mg/L of slurry
plain-nothing-yet = nothing yet
plain-age = { $quality }, { $age } old
plain-lowest = lowest { $lowest } mg/L at { $at }, 80% sure of { $low } to { $high }.
plain-lowest-was = lowest was to be { $lowest } mg/L at { $at }, 80% sure of { $low } to { $high }.
plain-below-now = Below { $limit } now.
plain-below-at = Below { $limit } at about { $at } (chance { $percent }%).
plain-below = Below { $limit }: chance { $percent }%.
plain-sunrise = Sunrise { $at }.
plain-slope = Now { $now } mg/L per hour.
plain-slope-stopped = Now { $now } mg/L per hour, { $stopped } if the aerators stopped.
plain-made = Made at { $at } from: { $basis }.
plain-start-now = START AERATORS{ $groups } NOW
plain-start-at = start aerators{ $groups } at { $at }
plain-why-stopped = FIND OUT WHY{ $groups } STOPPED, then start again
plain-keep-on = keep on what runs:{ $groups }
plain-rest = no aeration needed in the coming hours
plain-none = none can be given
plain-until = until { $at }
plain-said-at = Said at { $at }.

## What was done, a line each.

kind-limit = limit
deed-feed = { $kg } kg of feed
deed-tray = tray left { $left } %
deed-slurry-kg = { $kg } kg of slurry
deed-lot = lot { $lot }
deed-against = against advice ({ $reason }): { $against }
deed-no-reason = nobody says why
deed-containers = { $emptied } containers emptied
deed-levels = level { $before } to { $after } m
deed-filled = filled up to { $level } m
deed-sampling = { $count } shrimp, { $grams } g: { $each } g each
deed-stocking = { $count } stocked
deed-dead = { $count } found dead
deed-dead-kg = { $kg } kg found dead
deed-final = final harvest
deed-partial = partial harvest
deed-count = { $left } containers left
deed-count-delivered = { $delivered } delivered since the last count
deed-count-reason = gone because: { $reason }
deed-withdrawn = taken back: { $reason }
deed-cost = { $item }: { $amount } spent
deed-price = { $item }: { $amount } per { $per }
deed-reading = { $name } { $value } { $unit } by hand

link-closed = the daemon closed the connection
link-no-answer = no answer from the daemon within { $seconds } s
link-not-running = no pondreeve answers at { $path }: start it with `pondreeve run --config FILE`, or name its socket with --socket
link-not-allowed = { $path } does not let this user in: ask for membership of the group that owns it (`ls -l { $path }` shows which)
link-broken = the connection to the pondreeve at { $path } broke: { $detail }
link-not-understood = what answers at { $path } is not this version of pondreeve: { $detail }

# Parts of the gateway.
part-store = store
part-bus = bus
part-broker = broker
part-forward = forward
part-clock = clock
part-program = program
part-horn = horn
part-call = call
part-machine = machine
