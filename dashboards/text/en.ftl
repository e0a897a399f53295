# The words of pages, pictures, work sheets and reports, in Fluent's syntax (projectfluent.org). A translation is another file with
# the same keys, which the config names under [site]; keys that it leaves out stay English. Numbers, times and names come ready for
# their reader. $count is a bare number by which plural forms are chosen, and is never shown. Markup in angle brackets is part of
# a text and has to come back the same. Plant's own words, what other rooms write (reasons of scores, doubts, drivers), the
# API and its errors are not here.

## The language of this file, as BCP 47 writes it: plural forms go by it.

language = en

## Cautions. They stay English unless somebody who may answer for them has translated them.

caution-hold = Flakes or exposed metal are on record: stop, hold the product, and call the responsible food-safety and pressure-equipment persons before restarting.
caution-next-4-chrome = Stop, hold the product, assess. Then renew the plating or replace the tube.
caution-next-4 = Stop, hold the product, assess. Then renew the surface or replace the tube.
caution-before-opening = Follow the site's own procedures for energy control, refrigerant, pressure equipment, lifting, chemicals and food safety, and the codes that apply where you are. Where they ask for a licensed or authorised person, only that person does or approves the work. Where this page and a procedure differ, the procedure governs.
caution-flakes = Flakes, exposed metal, cracks or missing parts: stop, hold the product, and call the responsible food-safety and pressure-equipment persons before restarting.
caution-start-name = Start
caution-start = Stopped, isolated and locked; tried, and it does not turn. The shaft is a machine part that starts from elsewhere.
caution-energy-name = Stored energy
caution-energy = Product under pressure, a frozen plug that lets go, steam or hot water, springs, seal flush: released and verified.
caution-refrigerant-name = Refrigerant jacket
caution-refrigerant = Pump-out and line opening by authorised refrigeration staff only. It can poison or suffocate in the room.
caution-chemicals-name = Cleaning chemicals
caution-chemicals = Flushed and checked before opening. Never acid and hypochlorite together.
caution-lifting-name = Lifting
caution-lifting = The shaft can roll, bend or drop when it is drawn. Vertical units: work at height.
caution-edges-name = Edges
caution-edges = Blades are sharp and bores have burrs: cut gloves, and a cotton swab along the wall before any fingernail or hand.
caution-hands-name = Hands
caution-hands = No hand in the bore unless it is locked out and verified.
caution-wall-name = Wall
caution-wall = The tube is usually a pressure boundary: what is left of the wall after honing is for the competent person.
caution-reach = <b>Before you reach in:</b> isolated, locked out and verified under the site’s procedure; pressure and other stored energy released. Cloth before finger: sweep for burrs first, in cut gloves. No hand in the bore before that.

## Standing

standing-what-it-is = A score is the chance that the next complete look into a tube finds a groove of { $limit } or worse, reading error included. The range in brackets is its interval.
standing-what-it-is-not = It is decision support for planning a changeover, not a safety function. It does not measure wall thickness or plating, and it says nothing on whether a unit is fit for food contact or for pressure service. A low score is not permission to skip a required inspection: the plant's longest interval between looks governs ({ $longest }).
standing-what-these-numbers-are-and = What these numbers are, and are not
standing-before-opening = Before opening.

## Frame

frame-foot = groovecast { $version }. It writes nothing to controls.
frame-log-in-or-out = Log in or out
frame-display = Units and numbers
frame-not-all = <strong>The service is not doing all of its work.</strong> What stands below may be old: if in doubt, inspect on the fixed schedule.
frame-config-refused = the changed configuration was refused, and the one before stays in force: { $why }
frame-needs-restart = changed in the configuration, in force only after a restart: { $keys }
frame-to-the-sheet = To the sheet
frame-pages = Pages
frame-stops = Stops
frame-as-known = as known
frame-service-not-ready = Service not ready

## Words that stand on several pages.

word-no-tube = no tube
word-withdrawn = withdrawn
word-not-known = not known
word-why = Why
word-not-read = not read
word-note = Note
word-model = Model
word-unit = Unit
word-findings = Findings
word-when = When
word-zone = Zone
word-grade = Grade
word-kind = Kind
word-inspector = Inspector
word-board = Board
word-advice = Advice
word-doubts = Doubts
word-signals = Signals
word-models = Models
word-for-other-systems = For other systems
word-unit-tube = Unit, tube
word-plant-interval = Plant’s interval
word-log-a-finding = log a finding
word-last-look = Last look
word-stop = Stop.
word-choose = choose
word-log-finding = Log a finding
word-what = What
word-the-wall-unrolled = The wall, unrolled
word-not-taken = Not taken
word-nothing-was-changed = Nothing was changed.
word-tube = tube
word-work-sheet = Work sheet
word-name = Name
word-tube-title = Tube
word-version = Version
word-who = Who
word-log-in = Log in
word-look = Look
word-brier-score = Brier score
word-forecast-with = Forecast with
word-log-loss = log loss

## Sentences that stand on several pages.

common-last-complete-look-worst-groove = Last complete look, worst groove of this life
common-for = for { $unit }
common-log-loss-and-brier-score = Log loss and Brier score: smaller is better. Area: 0.5 is chance, 1 ranks every look right.

## Date

date-minute = { $day }, { $time } { $zone }
date-day = { $day } { $month } { $year }
date-month = { $month } { $year }
date-monday = Monday
date-tuesday = Tuesday
date-wednesday = Wednesday
date-thursday = Thursday
date-friday = Friday
date-saturday = Saturday
date-sunday = Sunday
date-weekday-day = { $weekday }, { $day }
date-january = Jan
date-february = Feb
date-march = Mar
date-april = Apr
date-may = May
date-june = Jun
date-july = Jul
date-august = Aug
date-september = Sep
date-october = Oct
date-november = Nov
date-december = Dec

## Days

days = { $count ->
    [one] 1 day
   *[other] { $days } days
 }

## Age

age-ahead = { $length } ahead of the clock
age-ago = { $length } ago

## Percent

percent-under-one = under 1 %
percent-over-99 = over 99 %

## Number

number-unknown = unknown
hours-under = under { $hours }

## Range

range = { $low } to { $high }

## List

list-none = none
list-and = { $names } and { $last }

## Count

count-tubes = { $count ->
    [one] { $tubes } tube
   *[other] { $tubes } tubes
 }
count-findings = { $count ->
    [one] { $findings } finding
   *[other] { $findings } findings
 }
count-units = { $count ->
    [one] { $units } unit
   *[other] { $units } units
 }

## Grade

grade-limit = grade { $grade } ({ $meaning })
grade-held = hold and assess: flakes or exposed metal; worst groove: { $groove }
grade-none = none read
grade = grade { $grade }
grade-0 = smooth
grade-1 = visible, does not catch
grade-2 = catches a fingernail
grade-3 = scored, gouged or rough
grade-4 = plating chipped, flaked or worn through
grade-and-meaning = grade { $grade }, { $meaning }

## Clock

clock = { $clock } o'clock

## Kind

kind-none = mark
kind-groove = groove
kind-axial-scratch = axial scratch
kind-pit = pit
kind-flake = flake
kind-dulling = dulling

## Method

method-light = light
method-nail = nail
method-gauge = gauge
method-replica = replica

## How

how-light = by eye, with a light
how-nail = by fingernail
how-gauge = with a depth gauge
how-replica = from a replica

## Why

why-scheduled = the plant's interval
why-changeover = a changeover
why-advice = a score or a torque
why-complaint = something in the product, or it ran badly

## Reason

reason-hold = hold and assess: flakes or exposed metal are on record in this life, so no chance is given (besides: { $besides })
reason-scheduled = scheduled
reason-changeover = changeover
reason-advice = advice
reason-complaint = complaint

## Work

work-new = new
work-hone-polish = hone polish
work-replate = replate
work-blades = blades
work-other = other

## Renewed

renewed-new = new
renewed-honed = honed
renewed-replated = re-plated
renewed-blades = blades
renewed-other = other work

## Surface

surface-hard-chrome = hard chrome
surface-stainless = stainless
surface-nitrided = nitrided
surface-other = other

## Fact

fact-surface = Surface
fact-bore = Bore
fact-length = Scraped length
fact-plating-new = Plating when new
fact-plating-left = Plating left by honing
fact-deepest = Deepest groove measured in this life
fact-plating-under = Plating under it
fact-surface-run = Run on this surface
fact-run-before = Run before the records
fact-last-look = Last complete look in this life
fact-worst = Worst grade in this life
fact-run-since = Run since that look, or the life's start
fact-blind = Of these blind
fact-assumed = Of these counted by nobody
fact-covered = Covered by readings
fact-interval = Plant's longest interval
fact-data = Fitted on data

## Term

term-run = run, h
term-blind = of it blind, h
term-sliding = blade travel, km
term-work = shaft work, MJ
term-excess = of it in excess, MJ
term-starts = starts
term-cold-starts = of them cold
term-excursions = torque excursions
term-dry = dry, h

## Band

band-any = any
band-between = { $low } to { $high } { $unit }
band-under = under { $edge } { $unit }
band-over = { $edge } { $unit } and over
band-all = all
band-below = below { $edge } { $unit }
band-above = { $edge } { $unit } and above

## State

state-hold = hold and assess
state-reached = limit reached
state-baseline = run hours alone
state-not-fitted = in no unit
state-ok = fitted model
state-prior = stated belief
state-blind = blind, or never seen whole
state-stale = no fresh data
state-no-tube = no tube fitted

## Meaning

meaning-hold = Hold and assess: flakes or exposed metal are on record in this life. No chance is given beside that.
meaning-ok = A fitted and approved model stands behind this score.
meaning-baseline = No model did better than run hours alone, so run hours alone stand behind this score.
meaning-prior = Too few findings yet: the plant's stated belief stands behind this score, not its own record.
meaning-reached = A look in this life has already found the limit.
meaning-guess = Run hours since the last complete look were counted by nobody, since the unit sent nothing yet: the risk is a guess.
meaning-blind = Most run hours since the last complete look are not covered by readings, or the wall was never seen whole in these records: the risk is a floor, if any can be given.
meaning-stale = No reading has arrived for longer than the plant allows: the risk is the last one known.
meaning-no-tube = No tube is entered as fitted in this unit.
meaning-not-fitted = The tube sits in no unit.

## Interval

interval-does-not-wait = does not wait for it
interval-run = { $hours } of running
interval-either = { $run } or { $days }, whichever comes first
interval-none = not entered in this service
interval-left = { $hours } left
interval-ends = ends { $day }
interval-over = over: a look is due
interval-unknown = no known start: counts as over
interval-not-entered = not entered: the plant's own rules hold

## Advice

advice-reached = The limit has been found in this life: have the tube assessed, honed, re-plated or replaced as the plant's procedure asks.
advice-not-fitted = In no unit: nothing to open. Look at it before it is fitted again.
advice-no-tube = no tube is entered as fitted in this unit
advice-may-wait = Opening may wait, at most until the plant's longest interval ends: { $ends }.
advice-over = The plant's longest interval is over: inspect.
advice-unknown = Nobody knows when this wall was last seen whole: inspect as the plant's longest interval asks.
advice-governs = The plant's own longest interval governs.
advice-weigh = Weigh this chance against the work of opening at the next changeover. { $latest }
advice-guess = Nobody counted the run hours: take the chance as a guess.
advice-floor = Most run hours are blind, or the wall was never seen whole: take the chance as a floor.
advice-within = within { $hours } of running
advice-by = by { $day }
advice-first = { $run } or { $day }, whichever comes first
advice-unavailable = { $why } Inspect on the fixed schedule.
advice-no-score = No current score, because: { $reason }.
advice-title-interval = plant’s interval is over
advice-title-chance = chance is high
advice-unit-and-tube = { $unit }, tube { $tube }
advice-not-evaluated = this tube has not been evaluated
advice-put-off-over = until { $day } by { $who }: { $why }. That day has come.
advice-put-off-day = until { $day } by { $who }: { $why }.
advice-decided = decided { $time }
advice-who-is-told = Who is told
advice-told = { $notices } told
advice-waiting = { $notices } waiting, the oldest since { $since }
advice-given-up = { $notices } given up
advice-chance = { $when } { $chance } ({ $range }) that a complete look finds { $limit } or worse
advice-next-stop = Next stop
advice-seen-nobody = by nobody yet
advice-seen-by = by { $who }, { $time }
advice-what-asks-to-be-opened = what asks to be opened, and what was said to it
advice-raised-when-its-cause-has = Raised when its cause has stood long enough, cleared when it is gone for long enough. Silence clears nothing. It is advice: nothing has to be done within minutes, and the plant’s procedures come first.
advice-the-plant-longest-interval-governs = The plant’s longest interval governs ({ $longest }): nothing can be put off beyond it.
advice-nothing-is-raised-that-does = Nothing is raised. That does not say that nothing needs a look: the plant’s own schedule holds.
advice-raised = Raised
advice-its-cause-is-gone-it = ; its cause is gone, it will be cleared if that lasts
advice-seen = Seen
advice-put-off = Put off
advice-i-have-seen-it = I have seen it
advice-put-off-until = Put off until
advice-because = because
advice-who-has-the-role-operations = Who has the role operations, analyst or admin can say here that advice was seen, or put it off: <a href="/login?next=/advice">log in</a>.
advice-cleared-of-late = Cleared of late
advice-cleared = Cleared
advice-was-put-off-because = Was put off, because

## Chance

chance-now = now
chance-ahead = +{ $hours }
chance-floor = at least { $chance }
chance-guess = perhaps { $chance }
chance-with-range = { $chance } ({ $range })
chance-last-known = last known, from readings until { $time }; no longer current:
chance-unknown = no chance can be given

## Look

look-set-aside = { $extent }, set aside
look-ago = { $day }, { $days } ago
look-none = none in this life
look-run-since = { $hours } run since, { $share } covered
look-of-running = { $hours } of running, { $share } covered
look-no-hours = no run hours since
look-meter = meter { $hours }
look-about = about { $hours } on record
look-hours-unknown = run hours not known
look-letters = F flake, S axial scratch, P pit, D dulling
look-complete = complete
look-part = in part
look-part-read = in part, { $read } of { $all } read
look-no-mark = none written down
look-no-groove = no groove grade read
look-in-part = in part ({ $count ->
    [one] { $stations } station
   *[other] { $stations } stations
 })

## Mark

mark-of-kind = { $kind }, grade { $grade }
mark-stated = { $kind }, grade { $grade } { $place }, { $day }

## Place

place-whole = whole tube
place-zone = in zone { $zone }
place-clock = at { $clock }
place-unknown = somewhere in the tube

## Next

next-stops = stops { $day }
next-stands-until = stands still until { $day }
next-none = no stop planned
next-defers = Common practice only. The plant's and the maker's procedures decide what is done, and who may do it; a tube is usually also a pressure boundary, so the wall that is left after honing is for the competent person to check.
next-0 = Nothing beyond the plant's own interval.
next-1-nitrided = Watch: note place and depth, look again at the next changeover. The hard layer is thin.
next-1 = Watch: note place and depth, look again at the next changeover.
next-2-chrome = Formal inspection: measure the depth against the plating that is left. Hone and polish if enough remains, else renew the plating.
next-2-stainless = Formal inspection: measure the depth. Usually hone and polish.
next-2-nitrided = Formal inspection: measure the depth. Polish within the hard layer if it allows, else have it treated again or replace the tube.
next-2 = Formal inspection: measure the depth. Hone and polish if the surface allows it.
next-3-chrome = Not back into service before a formal inspection. Usually renew the plating.
next-3-stainless = Not back into service before a formal inspection. Hone and polish if the wall allows, else replace the tube.
next-3-nitrided = Not back into service before a formal inspection. Usually replace the tube, or have it ground and treated again.
next-3 = Not back into service before a formal inspection. Renew the surface or replace the tube.
next-mark = grade { $grade } ({ $meaning }) on { $surface }

## Until

until-beyond = beyond { $hours }
until-above = The chance is above { $level } now.
until-passes = The chance passes { $level } after { $run } of running ({ $earliest } to { $latest }).
until-at-the-latest = The chance passes { $level } after { $run } of running at the latest.

## Drivers

driver-running = { $hours } of running itself
driver-wore = { $what }, like { $hours } of plain running
driver-spared = { $what }, which spared { $hours } of plain running
drivers-life-began = this life began
drivers-greatest = { $share } of this tube's wear since { $since } came from { $what }.

## Basis

basis-exposures = what the tubes went through
basis-prior = the plant's stated belief

## Forecast

forecast-base-rate = base rate
forecast-constant-rate = constant rate
forecast-model = the model
forecast-base-rate-about = how often a look finds it, whatever came before
forecast-constant-rate-about = one rate for every run hour
forecast-hours-about = a Weibull distribution of run hours

## Agreement

agreement-none = No place was read by two inspectors at one stop: nothing is known of how far they agree. It takes some { $least } double readings.
agreement-read = { $count ->
    [one] { $places } place was
   *[other] { $places } places were
 } read by two inspectors at one stop; { $same } got the same grade from both.
agreement-few = { $read } That is too few for more: it takes { $least }.
agreement-one-grade = { $read } All have one grade, which says nothing of agreement beyond chance.
agreement-narrow = { $read } Stations of one tube are no independent witnesses, so the intervals are rather too narrow.
agreement-unweighted = only the same grade agrees
agreement-linear = by the distance of the grades
agreement-quadratic = by the square of the distance

## Audit

audit-audit = Audit
audit-every-write-to-the-record = Every write to the record: who, when, what. Nothing here can be changed.
audit-what-was-done = What was done
audit-to-what = To what
audit-show = Show
audit-no-entry-fits = No entry fits.
audit-more = More
audit-older-entries = Older entries

## Board

board-doubted = <a href="/suspicions">{ $doubted }</a>: a wrong entry or a wrong signal makes wrong chances.
board-put-off = put off until { $day } by { $who }
board-seen = seen by { $who }
board-unseen = seen by nobody yet
board-advice-raised = Advice: { $what }, raised { $day }, { $said }
board-advice = Advice: { $what }, { $said }
board-urgent = Hold and assess, or limit reached
board-urgent-note = These do not wait for a ranking.
board-due = The plant’s interval is over: inspect
board-due-note = Over, or no start is known, so it counts as over. That outweighs any chance.
board-ranked = By chance now, highest first
board-unsaid = Cannot be said: inspect on the fixed schedule
board-unsaid-note = Not at the end of the ranking: outside it. Nothing here is known to be better than what stands above.
board-shelf = In no unit
board-shelf-note = Look at a tube before it is fitted again.
board-summary = { $count ->
    [one] { $units } unit
   *[other] { $units } units
 }: { $urgent } to hold or at the limit, { $due } whose plant interval is over, { $ranked } ranked, { $unsaid } that cannot be said.
board-hold = Hold
board-limit-reached = Limit reached
board-doubts = { $count ->
    [one] One thing of the last 30 days is doubted
   *[other] { $things } things of the last 30 days are doubted
 }
board-all-tubes-by-chance = All tubes, by chance
board-next-stop = <a href="/changeovers">The next stop: { $day }</a>, { $units }. <strong>{ $says }</strong>
board-no-stop-known = No stop is known: no production run is planned behind another. When you know when units stop, <a href="/changeovers?units=all">ask what to open then</a>.
board-there-is-no-score-yet = There is no score yet.
board-new-here = This plant is new here.
board-this-is-missing = This is what is missing, and whose next step it is.
board-the-chance-of-each-is = { $summary } The chance of each is that the next complete look finds { $limit } or worse.
board-decision-support-not-a-safety = Decision support, not a safety function. A low chance is no permission to skip a required inspection: the plant’s longest interval governs ({ $longest }).
board-units-by-chance = Units by chance
board-chance-with-its-interval = Chance, with its interval
board-why-what-wore-it-as = Why: what wore it, and the plain running that wears the same
board-more-of-these-are-not = <a href="/?all=yes">{ $more } more of these</a> are not shown here: not because they matter less than what stands below.

## Changeover

changeover-no-run-hours = the campaign of { $product } from { $from } has no run hours
changeover-nothing-before = nothing is planned before { $from }
changeover-beyond = { $ahead } of running lie ahead, and the longest horizon is { $longest }
changeover-not-evaluated = the unit has not been evaluated

## Changeovers

changeovers-the-next-changeover-of-each = The next changeover of each unit
changeovers-what-to-open-at-the = <a href="/changeovers">What to open at the next stop, and why</a>; other days, costs and sets can be tried there.
changeovers-as-planned-the-chance-at = As planned. The chance at the end is that of a tube which stays closed until the campaign after the stop has run.
changeovers-stop = Stop
changeovers-campaign-that-ends-and-that = Campaign that ends, and that begins
changeovers-chance-now = Chance now
changeovers-at-the-end-if-not = At the end, if not opened
changeovers-then = then { $begins }
changeovers-later-stops = { $more-stops } later stops

## Chart

chart-axis = run hours from now (h), and the chance then
chart-last-look = last look
chart-last-complete-look = last complete look
chart-life-no-run-short = no run hours on record
chart-board = { $site }: chance now, by unit
chart-board-about = Chance that a complete look finds { $limit } or worse, with its interval
chart-as-known = as known { $time }
chart-board-empty = No unit has been evaluated.
chart-board-inspect = inspect
chart-board-over = interval over; { $chance }
chart-board-stale = not current
chart-board-last = not current, last { $chance } ({ $range })
chart-life = Tube { $tube }: its life so far
chart-life-key = Looks: worst grade; { $letters }. Framed: complete; underlined: in part.
chart-life-empty = Nothing is on record yet.
chart-life-fitted-until = { $day }: fitted in { $unit }, until { $to }.
chart-life-fitted = { $day }: fitted in { $unit }, since.
chart-life-complete = { $day }: complete look, worst { $mark }.
chart-life-part = { $day }: look in part, worst { $mark }.
chart-life-run = { $hours } run since the records begin.
chart-life-no-run = No run hours are on record.
chart-lane-sat = sat in
chart-lane-work = work
chart-lane-looks = looks: worst grade
chart-lane-run = run hours, added up
chart-not-evaluated = not evaluated
chart-hold = Hold and assess
chart-tube-in-short = { $tube } in { $unit }
chart-tube-alone-short = { $tube }, in no unit
chart-tube-in = Tube { $tube }, unit { $unit }
chart-tube-alone = Tube { $tube }, in no unit
chart-chance-short = Chance of grade { $grade } or worse
chart-chance = Chance of { $limit } or worse
chart-chance-long = Chance that a complete look finds { $limit } or worse, by run hours ahead
chart-no-score = This tube has not been evaluated.
chart-no-chance = No chance can be given
chart-governs = A low chance is no permission to skip a required inspection: the plant's longest interval governs.
chart-stale = No longer current: { $chance }
chart-now = Now { $chance }
chart-now-state = Now { $chance }. State: { $state }.
chart-look-grade = Last complete look { $day }, { $hours } of running ago, worst grade in this life { $grade }.
chart-look = Last complete look { $day }, { $hours } of running ago.
chart-no-look-grade = No complete look in this life ({ $hours } of running), worst grade in this life { $grade }.
chart-no-look = No complete look in this life ({ $hours } of running).

## Display

display-torque = Torque in
display-temperature = Temperature in
display-length = Lengths in
display-decimal = Decimals after a
display-group = Between thousands
display-mm = mm and µm
display-in = in and mil
display-point = point: 12.5
display-comma = comma: 12,5
display-space = a narrow space
display-none = nothing
display-mark = a comma, or a point where decimals have a comma
display-for-this-browser-alone-it = For this browser alone; it needs no login. Now it reads: { $sample }.
display-show-it-so = Show it so
display-pages-and-pictures-follow-this = Pages and pictures follow this, and so do numbers that are typed into forms. What programs read (API, CSV, metrics, MQTT) is the same for everybody, in N·m, °C, mm, µm and h. Times are those of the plant’s zone for everybody.

## Doubt

doubt-traded-torque = torque traded
doubt-grade-fell = grade fell
doubt-depth-unit = unit of depth
doubt-ends-mirrored = ends mirrored
doubt-wrong-meter = wrong hour meter
doubt-entered-late = entered late
doubt-two-grades = two grades

## Entry

entry-back = What was typed for this unit on <b id="since"></b> and not sent is back.
entry-no-unit = No unit { $unit } is known here.
entry-no-tube = No tube { $tube } is known here.
entry-procedures-govern = Procedures govern
entry-what-you-send-is-kept = What you send is kept under the name that is <a href="/login?next=/findings/new">logged in</a>. Without a login or without network it waits on this device.
entry-this-form-needs-its-script = <b>This form needs its script</b> to keep what you type and to send it. Without script there is <a href="/findings/plain">a form for one finding</a>.
entry-choose-below = { $unknown } Choose below.
entry-on-this-device = On this device
entry-which-unit = Which unit
entry-no-tube-entered = no tube entered
entry-in-no-unit-a-tube = <b>In no unit</b> a tube on the bench
entry-start-anew = Start anew
entry-read-the-mark-on-the = Read the mark on the tube
entry-it-reads-as-entered = It reads <b id="serial">as entered</b>
entry-it-reads-another-serial = It reads another serial
entry-it-cannot-be-read = It cannot be read
entry-the-mark-reads = The mark reads
entry-entered-in = (entered in { $unit })
entry-somebody-must-set-the-register = Somebody must set the register right: the note says so by itself.
entry-seen-from-the-drive-end = Seen from the drive end. Tap a place and say what is there. What is not tapped stays unknown, never smooth.
entry-looked-everywhere-all-smooth = Looked everywhere, all smooth
entry-could-not-look-at-the = Could not look at the rest
entry-clock = { $clock } o’clock
entry-place = { $zone }, { $clock } o’clock
entry-could-not-look-here = could not look here
entry-place-blocked = { $zone }, { $clock } o’clock: could not look here
entry-could-not-look = could not look
entry-how-it-was-looked-at = How it was looked at
entry-why-it-was-opened = Why it was opened
entry-when-who-and-what-else = When, who, and what else
entry-seen-at = Seen at ({ $zone-name })
entry-who-looked = Who looked
entry-hour-meter-of-the-unit = Hour meter of the unit, h
entry-photos-jpeg-png-or-webp = Photos (JPEG, PNG or WebP)
entry-what-will-be-kept = What will be kept
entry-nothing-yet = Nothing yet.
entry-send = Send
entry-depth-if-measured = Depth, if measured
entry-unit-of-the-depth = Unit of the depth
entry-mil = mil
entry-what-a-grade-means-and = What a grade means, and what usually comes next
entry-meaning = Meaning
entry-on = On { $words }

## Field

field-not-given = not given

## Finding

finding-log-in = <a href="/login?next=/findings/{ $id }">Log in</a> to correct or withdraw it.
finding-overtaken = What you typed stands below to be read, and cannot be sent any more: <a href="/findings/{ $id }">start from the finding as it stands now</a>.
finding-no-longer = { $name }: no longer given
finding-same = the same
finding-depth = Depth, { $unit }
finding-at = Seen at
finding-tube-label = Tube
finding-grade-label = Grade
finding-zone = Zone
finding-clock = Clock position
finding-method = Found by
finding-kind = Kind of mark
finding-reason = Why the tube was opened
finding-inspector = Inspector
finding-run-h = Hour meter, h
finding-recorded-at = Written down at
finding-note = Note
finding-why = Why it is changed
finding-form = Form
finding-finding = Finding { $id }
finding-this-finding-was-withdrawn-it = This finding was withdrawn: it counts no more. What it said, and why it was withdrawn, stands below.
finding-photos = Photos
finding-what-was-said-and-by = What was said, and by whom
finding-what-it-says-anew = What it says anew
finding-correct-this-finding = Correct this finding
finding-what-was-said-before-stays = What was said before stays, with who changed it and why.
finding-keep-the-correction = Keep the correction
finding-withdraw-this-finding = Withdraw this finding
finding-for-what-was-never-seen = For what was never seen, or was logged for another tube. It counts no more; it stays readable.
finding-why-it-is-withdrawn = Why it is withdrawn
finding-withdraw-it = Withdraw it
finding-your-role-reads-an-inspector = Your role reads; an inspector, analyst or admin can correct this.

## Findings

findings-left-out = The newest { $shown } of { $all }; <a href="/api">the API</a> has all of them.
findings-no-finding-is-on-record = No finding is on record.
findings-clock = Clock
findings-method = Method
findings-depth = Depth
findings-of-tube = of tube
findings-what-inspectors-wrote-down-newest = What inspectors wrote down, newest first. Nothing is overwritten: who is wrong corrects, and what stood before can still be read.
findings-what-does-not-fit-together = What does not fit together is told under <a href="/suspicions">doubts</a>.
findings-corrected = corrected

## First

first-mark = { $kind }, grade { $grade } ({ $meaning }), { $day }
first-every = every station
first-none-read = none was read in this life: unknown, not smooth
first-not-read = not read in this life: unknown, not smooth
first-earlier = in an earlier life: { $mark }

## Fitting

fitting-lasts = still there

## Lack

lack-never = never since the start
lack-lost = lost { $ago }
lack-no-error = no error was reported
lack-broker = no connection to the message broker ({ $since }): { $error }
lack-no-commit = none yet
lack-commits = readings cannot be stored (last commit: { $last }): { $error }
lack-filters = the broker refuses to send what is subscribed to: { $filters }; give this client the right to read it
lack-score = no score has been evaluated since the start
lack-late = the scores are old: evaluated { $ago }, right would be within { $minutes } min

## Latent wear

latent-times = × { $factor }
latent-level = Pace of wear of the whole fleet, a logarithm
latent-power = Power of running with which a groove deepens
latent-tube-sd = Usual spread of pace between tubes
latent-life-sd = Usual spread between lives of one tube
latent-stretch-sd = Usual spread between stretches of one life
latent-place-sd = Usual spread between places of one wall
latent-gap-to-visible = Depth from visible to catching
latent-gap-to-scored = Depth from catching to scored
latent-blur = Blur of depth in a grade read by eye or nail
latent-station-too-low = Stations read one grade too low
latent-station-too-high = Stations read one grade too high
latent-whole-too-low = Whole tubes read one grade too low
latent-whole-too-high = Whole tubes read one grade too high
latent-catch = Depth at which a groove catches
latent-depth-sd = Usual error of a measured depth
latent-zone = Wear in zone { $zone }
latent-clock = Wear at { $clock }
latent-surface = Wear on { $surface }, against the first surface
latent-weight = Weight of { $exposure } at the fleet’s mean, against running itself

## Life

life-before = before the records
life-lasts = lasts

## Login

login-you-are = You are { $who }
login-your-role-is-what-you = Your role is { $role }. What you write is kept under your name.
login-who-wrote-what-and-when = Who wrote what, and when
login-log-out = Log out
login-go-on = Go on
login-reading-needs-no-login-here = Reading needs no login here.
login-who-writes-is-known-by = Who writes is known by name: findings, corrections and photos are kept under it.
login-password = Password
login-no-account-or-the-password = No account, or the password is lost? An admin adds people and sets passwords with <code>groovecast people</code>. Nobody has a password that came with the program.

## Missing

missing-ranking-next = Inspect on the fixed schedule.
missing-no-connection = no connection yet
missing-broker = The message broker is not connected: { $error }.
missing-broker-next = Check broker host, port and account in the config.
missing-messages = The broker is connected, but no message has come.
missing-messages-next = Check the topic patterns in the config, and that the plant publishes.
missing-mapping = Messages come on { $count ->
    [one] { $topics } topic
   *[other] { $topics } topics
 }, but no mapping takes them.
missing-mapping-next = Map topics to units and signals in the config; the page Signals lists what came.
missing-arriving = { $signals } of { $mapped } mapped signals { $count ->
    [one] arrives
   *[other] arrive
 }
missing-unmapped = { $count ->
    [one] { $topics } topic is
   *[other] { $topics } topics are
 } not mapped.
missing-arriving-next = See the page Signals for what does not arrive and why.
missing-all-arrive = All mapped signals arrive ({ $signals }).
missing-all-arrive-next = Import their past from the historian, unless that is done.
missing-controls = Controls engineer
missing-analyst = Reliability analyst
missing-first = The first evaluation is under way: it reads the record and fits the first models, which may take some minutes. Tubes, findings and scores show when it has ended.
missing-first-next = Wait, and load this page again.
missing-tubes = No tube is in the register, so nothing is known to wear.
missing-tubes-next = Import tubes, fittings and work; then findings.
missing-findings = { $count ->
    [one] { $tubes } tube is
   *[other] { $tubes } tubes are
 } in the register, but no finding.
missing-findings-next = Import the findings of past looks.
missing-score = { $tubes } and { $findings } are there, but no score yet.
missing-score-next = Wait for the first evaluation, or score by hand.
missing-manager = Operations manager
missing-first-ranking = No unit can be ranked before the first evaluation has ended.
missing-ranking = No unit can be ranked by its own record yet. That says nothing about the tubes.
missing-ranking-and-plan = No unit can be ranked by its own record yet. That says nothing about the tubes. No production run is known either, so no changeover is.
missing-plan-next = Inspect on the fixed schedule. Have past and planned runs imported.

## Models

models-approved = Version { $version }, { $name }, stands behind the scores. It goes by { $basis }.
models-none-approved = No model is approved: nothing fitted stands behind the scores.
models-state-ok = ok
models-state-baseline = baseline
models-state-prior = prior
models-state-reached = reached
models-state-blind = blind
models-state-stale = stale
models-state-no-tube = no tube
models-state-not-fitted = not fitted
models-proposed = proposed
models-status-approved = approved
models-retired = retired
models-nobody = nobody named
models-no-verdict = Not held against tubes that it had not seen.
models-decided = { $status }, { $day }, by { $who }
models-decision = Decision
models-goes-by = Goes by
models-data = Data
models-limit = in { $count ->
    [one] { $lives } life
   *[other] { $lives } lives
 }, { $events } of { $rows } intervals
models-no = No.
models-what-stands-behind-the-scores = What stands behind the scores
models-track-record-what-published-chances = Track record: what published chances said, and what looks then found
models-no-model-has-been-fitted = No model has been fitted yet.
models-status = Status
models-fitted = Fitted
models-intervals = Intervals
models-lives-at-the-limit = Lives at the limit
models-verdict = Verdict
models-version-beside-the-approved-one = Version { $version } beside the approved one
models-version-is-proposed-this-is = Version { $version } is proposed. This is what it would say now; nothing of it is published. Approving it takes an analyst and a reason.
models-chance-now-published = Chance now, published
models-version-would-say = Version { $version } would say
models-difference-points-of-percent = Difference, points of percent
models-what-an-hour-wears-by = What an hour wears, by torque and temperature
models-hours-of-plain-running-that = Hours of plain running that wear as much as one hour there, over the last year and all units. Below 1 spares the wall.
models-torque = Torque
models-looks-set-aside = Looks set aside
models-an-analyst-doubts-these-looks = An analyst doubts these looks. They stay in the record; no fit and no score goes by them until they count again. Flakes and exposed metal go on asking for a stop all the same.
models-set-aside = Set aside
models-counts-again-since = Counts again since
models-does-not-count = does not count
models-version = Version { $version }
models-how-it-did-on-tubes = How it did on tubes not seen, with pictures
models-on-tubes-not-seen = On tubes not seen
models-coefficients = Coefficients
models-good = Good: it foretold tubes that it had not seen better than any simple way.
models-not-better = No gain: run hours alone foretell as well.
models-too-few = Too early: there are too few findings to fit by.
models-value = Value
models-as-fitted = as fitted
models-latent-note = Parameters of latent wear: the fit knows them as logarithms (ln) or log odds (logit), which stand on the right. It gives no standard error of them.
models-term = Term
models-log-hazard-per-unit = log hazard per unit
models-standard-error = standard error

## Openapi

openapi-dashboards-notebooks-and-monitors-read = Dashboards, notebooks and monitors read here what people read on the pages. The whole of it as a document for programs: <a href="/api/openapi.json">OpenAPI 3.1</a>.
openapi-body = body
openapi-shapes-of-json = Shapes of JSON
openapi-may-be-absent = , may be absent

## Plain

plain-log-one-finding = Log one finding
plain-this-form-needs-no-script = This form needs no script, and keeps nothing without network. <a href="/findings/new">The other form</a> takes a whole wall at once. Without zone and clock position a finding speaks for the tube’s worst place. { $flakes }
plain-nothing-was-kept = Nothing was kept.
plain-keep-it = Keep it

## Plot

plot-costs-ratio = cost of opening, as a share of a late catch
plot-costs-spent = late catches per 100 looks, or as much spent
plot-costs-never = never open
plot-costs-always = open every time
plot-costs-same = model and hours alone, the same
plot-costs-model = open by the model
plot-costs-hours = by hours alone
plot-costs-told = If opening costs { $ratio } of a late catch: by the model { $model }, by hours alone { $hours }, open every time { $always }, never { $never }.
plot-costs = What it would have cost to open by each, in late catches per 100 looks
plot-losses-best = the best
plot-losses-axis = log loss per look above the best (nat)
plot-losses-told = { $forecast }: { $loss }, { $above } above the best, standard error between tubes { $error }.
plot-losses = How far each way of forecasting stands behind the best
plot-reliability-foretold = chance foretold, mean of the group
plot-reliability-share = share of the group that reached the limit
plot-reliability-of = { $found } of { $all }
plot-reliability-found = found
plot-reliability-outside = found, outside the band
plot-reliability-band = band of mere chance, 90 %
plot-reliability-as-foretold = as foretold
plot-reliability-told = Foretold { $mean }: { $found } of { $all } reached the limit, { $share } (band { $low } to { $high }).
plot-reliability-told-outside = Foretold { $mean }: { $found } of { $all } reached the limit, { $share } (band { $low } to { $high }, outside the band).
plot-reliability = What { $forecast } foretold against what came
plot-track-looks = complete looks, oldest first
plot-track-sum = found, and expected, added up
plot-track = What looks found against what the chances before them said, added up
plot-track-told = After { $looks } looks: { $found } found, { $expected } expected.
plot-track-thick = thick: found
plot-track-dashed = dashed: expected; shaded: right chances, 19 of 20

## Refused

refused-not-answered = Not answered
refused-to-the-board = To the board

## Row

row-model = Model: { $model }.
row-log-a-finding-in = Log a finding in { $unit }

## Scores

scores-area-under-the-curve = area under the curve

## Script

script-waiting = Waits for the network
script-login = Waits for you to log in
script-refused = Refused
script-photos = Sent; its photos wait
script-sent = Sent
script-entry = Tube { $tube }: { $seen }
script-log-in = Log in
script-change = Change it
script-look = Look at it
script-count-waiting = { $count } waiting
script-count-refused = { $count } refused
script-count-sent = { $count } sent
script-keeps-nothing = this browser keeps nothing, do not close this page before it is sent
script-answered = answered { $status }
script-station = { $zone }, { $clock } o’clock
script-as-entered = as entered
script-unknown = unknown
script-not-read = not read
script-legend = { $station }: grade { $words }
script-next = Usual next step: { $step }
script-everywhere = looked everywhere, all smooth
script-smooth = { $count } stations smooth
script-could-not = could not look: { $places }
script-in-part = { $count } stations unknown, so this look is in part
script-by = looked at by { $who }
script-lacks-unit = Which unit is it?
script-lacks-mark = What does the mark on the tube read?
script-lacks-serial = Which serial does the mark read?
script-lacks-read = No place was read: a look that could not be done leaves nothing to keep.
script-lacks-wall = Tap what you saw on the wall.
script-lacks-depth = { $station }: the depth is no number of 0 or more, such as { $example }.
script-lacks-hours = The hour meter is no number of 0 or more, such as { $example }.
script-lacks-at = When was it seen?
script-note-register = Register: { $entered } in { $unit }; the mark reads { $tube }.
script-no-tube = no tube
script-no-unit = no unit
script-note-unread = The mark could not be read; the tube is taken from the fitting.
script-note-could-not = Could not look: { $places }.
script-not-chosen = not chosen
script-nothing = Nothing yet.
script-lost = What is typed in the form for this unit would be lost. Go on?
script-take-off = take it off
script-take-off-name = take off { $name }
script-cannot-keep = This browser cannot keep { $names }: add it on the finding's page once the entry is sent.
script-smooth-one = { $count } station smooth
script-in-part-one = { $count } station unknown, so this look is in part

## Signals

signals-the-start = the start
signals-fault = <b>{ $reason }</b>, { $times }, last { $last }: <code>{ $sample }</code>
signals-connected = connected since { $since }
signals-not-connected = not connected since { $since }
signals-broker = Broker
signals-subscriptions = Subscriptions
signals-no-subscriptions = none while the broker is away
signals-refused = refused by the broker: { $filters }
signals-qos-0 = granted with QoS 0 only, so that what is lost on the way stays lost: { $filters }
signals-backlog = messages without a time count as having waited at the broker, and enter no exposure
signals-all-granted = all granted, nothing waits
signals-last-error = Last error
signals-last-commit = Last commit
signals-messages = Messages
signals-readings = Readings stored
signals-duplicates = Already there
signals-kept-out = Kept out
signals-disk = Disk
signals-disk-unknown = not looked at yet
signals-disk-full = { $free } free; full in { $days } at { $daily } a day
signals-disk-free = { $free } free; how fast it fills is known after a whole day
signals-many-years = more than ten years
signals-years = { $years } years
signals-days = { $days } days
signals-working = working, heard { $ago }
signals-not-working = not working, heard { $ago }: { $error }
signals-not-heard = not heard since { $ago }: what the broker keeps for it waits there
signals-collector = Collector { $name }
signals-not-since-start = not since the start
signals-nothing-came = nothing came
signals-none-taken = no reading taken
signals-no-value = no value
signals-times = { $count ->
    [one] { $times } time
   *[other] { $times } times
 }
signals-reason = Reason
signals-what-arrives-and-what-does = What arrives, and what does not
signals-signals-by-unit = Signals by unit
signals-no-signal-is-mapped = No signal is mapped.
signals-signal = Signal
signals-last-value = Last value
signals-reading-from = Reading from
signals-arrived = Arrived
signals-per-min = Per min
signals-count = Count
signals-known-24-h = Known, 24 h
signals-7-days = 7 days
signals-topic-as-sent = Topic, as sent
signals-qos-0-what-is-lost = QoS 0: what is lost on the way stays lost
signals-kept-out-of-no-signal = Kept out, of no signal
signals-nothing = Nothing.
signals-last = Last
signals-one-of-them-and-what = One of them, and what would be right
signals-topics-that-no-mapping-takes = Topics that no mapping takes
signals-none = None.
signals-topic = Topic
signals-payload = Payload

## Stop

stop-not-answered = This is not answered: mend it below and ask again. Nothing was reckoned.
stop-wrong = { $field } ({ $name }): { $why }
stop-unplanned = No stop is known on { $day }: shown is what opening would do if all units stopped then.
stop-unplanned-next = The next stop that is known is on { $day }.
stop-unplanned-none = The plan has no stop at all.
stop-own-set = <strong>Your own set.</strong> { $says }
stop-no-next = no campaign is planned after this stop
stop-does-not-wait = Does not wait for the stop
stop-does-not-wait-note = Held, or the limit is reached: the plant's procedure comes first.
stop-by-interval = Open: the plant’s own interval asks for it
stop-by-interval-note = No chance and no saving outweighs it.
stop-best = Open: the best use of the room that is left
stop-no-room = Worth opening, but no room at this stop
stop-no-room-note = Room for one more would take the first of these.
stop-wait = May wait, at most until the plant’s interval ends
stop-wait-note = Advice, not permission: a required look stays required.
stop-unsaid-note = Outside the choice, not at its end: nothing here is known to be better than what stands above.
stop-unsaid-room = Room for { $units } more is free at this stop: what opening one of these saves cannot be said, and a look into it is how to know.
stop-unsaid-no-room = No room is left for them at this stop: a look into one of these takes more room, or another day.
stop-at-stop = at the stop
stop-at-next = at the next
stop-ahead = Stops { $time } after { $hours } of running; next chance { $day } after { $more } more{ $products }.
stop-pace-own = With { $product } it wears { $times } times as fast as of late (from its own { $hours } with it in the past year).
stop-pace-of-all = With { $product } it wears { $times } times as fast as of late (from { $hours } of all units with it: too few are its own).
stop-pace-unknown = how { $product } wears this unit is not known
stop-ahead-last = Stops { $time } after { $hours } of running; no next chance is planned.
stop-ahead-unsaid = Stops { $time }.
stop-no-spare = No spare tube is on the shelf that is known to be whole.
stop-spares = { $count ->
    [one] 1 spare tube is
   *[other] Spare tubes are
 } on the shelf: { $tubes }.
stop-spares-unlooked = Also there, to be looked at first: { $tubes }.
stop-spares-needed = Among the { $units } to open some { $catches } catches are expected, each of which needs a spare tube or the time to renew its own.
stop-no-crew = The config says that no crew is there that day: nothing can be opened at this stop.
stop-room-unknown = How many units can be opened in one stop is not entered, so room for all is assumed.
stop-room = Room to open { $units } in this stop.
stop-costs-unknown = What opening and a late catch cost is not entered: units are put in order by their chance alone, and whether opening one pays is not said.
stop-costs = Opening one unit costs { $open }; a catch that is found a campaign late costs { $late } more than at the stop. Reckoned at the middle of both, opening pays from a chance of { $chance } on ({ $low } to { $high } over the ranges).
stop-by-rule = { $count ->
    [one] { $units } unit is
   *[other] { $units } units are
 } not a matter of choice: held, at the limit, or asked for by the plant's own interval, which wins over any chance.
stop-beyond-room = That is { $more } more than this stop has room for: find room, or stop them another day before their interval ends.
stop-nothing-to-choose = There is nothing to choose among the others.
stop-how-chosen = Opening finds what is in the wall at the stop; what only grows afterwards is found at the next one either way. So opening saves the chance at the stop times what a late catch costs, less the opening. These values only add up: the units are sorted by chance and taken from the top while opening pays and there is room.
stop-total = Of the { $all } to choose among, opening { $open } costs { $cost } on average, late catches in the others included.
stop-step-close = leaving { $unit } closed
stop-step-open = opening { $unit } too
stop-step-swap = opening { $into } instead of { $out }
stop-next-best-either = The next best set is one step away: { $what } would cost { $more } more on average, { $low } to { $high } over costs and intervals: within what is known either may be the better one.
stop-next-best = The next best set is one step away: { $what } would cost { $more } more on average, { $low } to { $high } over costs and intervals: better at no end of them.
stop-guess = Nobody counted its run hours: its chance is a guess, and does not say that it may wait. Inspect on the fixed schedule.
stop-blind = Most of its run hours are blind, or the wall was never seen whole: its chance is a floor, and a low floor does not say that it may wait. Inspect on the fixed schedule.
stop-why-no-room = Worth opening, but the room goes to units with a higher chance.
stop-ends-after = after { $hours } of running
stop-ends-on = on { $day }
stop-ends-either = { $run } or { $day }
stop-interval-before-next = The plant's longest interval ends { $ends }, no later than the next chance to open ({ $day }, { $hours } of running): open at this stop.
stop-interval-before-stop = The plant's longest interval ends { $ends }, before this stop: open at this stop.
stop-may-wait = May wait, at most until the plant's longest interval ends: { $ends }.
stop-may-wait-unknown = The plant's own longest interval governs how long it may wait; it is not entered here.
stop-among-highest = Among the highest chances.
stop-saves = Opening saves { $amount } on average.
stop-no-chance-gives-room = No chance would give it room.
stop-room-at-any-chance = There is room for it at any chance.
stop-reach-not = the interval of its chance does not reach that
stop-reach-down = the interval of its chance reaches down to { $chance }
stop-reach-up = the interval of its chance reaches up to { $chance }
stop-turns-below = Turns below a chance of { $chance }; { $reach }.
stop-turns-above = Turns above a chance of { $chance }; { $reach }.
stop-costs-close = With costs at other ends of their ranges it would stay closed: it pays if a late catch costs more than { $amount }.
stop-costs-open = With costs at other ends of their ranges it would be opened: it pays once a late catch costs more than { $amount }.
stop-none = No unit stops that day, as far as is known.
stop-nothing = Nothing asks to be opened at this stop by chance or by rule. What the plant's own schedule asks for holds all the same.
stop-open = Open { $units }.
stop-own-leaves = It leaves closed what does not wait or what the plant's interval asks for: { $units }. No saving outweighs that.
stop-own-unknown = Not at this stop: { $units }.
stop-own-unsaid = What opening { $units } saves cannot be said; a look is always worth knowing.
stop-own-room = It asks for { $units }, and this stop has room for { $room }.
stop-own-same = Among the units to choose from it costs the same as the proposed set: { $amount } on average.
stop-own-more = Among the units to choose from it costs { $amount } on average, { $more } more than the proposed set.
stop-own-less = It costs { $amount } on average, { $less } less than the proposed set: it takes more room.
stop-own-catches = On average { $own } catches stay in the wall of what it leaves closed, { $proposed } with the proposed set.
stop-stop-on = Stop on { $day }
stop-what-to-open = What to open
stop-at-the-stop-on = at the stop on { $day }
stop-what-if-not-the-plan = What if: not the plan and the config, but what is asked below.
stop-decision-support-not-a-safety = Decision support, not a safety function. A low chance is no permission to skip a required inspection: the plant’s longest interval governs ({ $longest }). The chance is that a complete look finds { $limit } or worse.
stop-days-on-which-the-plan = Days on which the plan stops units
stop-units-at-this-stop = Units at this stop
stop-chance-if-it-stays-closed = Chance if it stays closed
stop-why-it-stands-here = Why it stands here
stop-work-sheet = work sheet
stop-in = in { $unit }
stop-no-chance-can-be-given = no chance can be given: { $no-chance }
stop-at-the-next = at the next: { $no-next }
stop-what-wore-it-as-hours = What wore it
stop-why-this-set-and-not = Why this set and not another
stop-where-the-plan-gives-no = Where the plan gives no run hours, a unit is taken to run all the time: it cannot run more.
stop-what-if = What if
stop-what-is-left-empty-is = What is left empty is taken from the plan and the config: grey figures are those in force. Nothing asked here is kept.
stop-the-same-as-json = The same as JSON
stop-ask-on = Stop on
stop-units = Units
stop-those-that-the-plan-stops = those that the plan stops
stop-all = all
stop-next-chance-to-open = Next chance to open
stop-run-hours-until-then-h = Run hours until then, h
stop-product = Product until then
stop-product-as-of-late = as the unit wore of late
stop-room-units = Room, units
stop-opening-one = Opening one
stop-a-late-catch-more = A late catch more
stop-a-set-of-your-own = A set of your own, to hold against the proposed one
stop-ask = Ask
stop-back-to-plan-and-config = Back to plan and config

## Stops

stops-last-known = { $chance }, last known, no longer current
stops-interval-over = the plant's interval is over: inspect
stops-interval-over-by = the plant's interval is over: inspect; { $by }
stops-long = { $hours } long
stops-no-time = no time between the two
stops-planned = { $hours } planned
stops-campaign-run = { $product } until { $day }, { $hours } of running
stops-campaign = { $product } until { $day }

## Suspicions

suspicions-what-is-doubted-in-the = What is doubted in the record
suspicions-found-by-comparing-what-is = Found by comparing what is written down and sent. Nothing is changed by it: whoever knows better corrects the finding, the register or the mapping, and the doubt goes.
suspicions-nothing-is-doubted-that-does = Nothing is doubted. That does not say that all is right.
suspicions-tube = – tube
suspicions-grades-one-lower-than-before = Grades one lower than before
suspicions-of-grades-that-could-be = { $one-lower } of { $compared } grades that could be compared with the look before, at the same place and without work in between. That is a usual misread, so it is only counted.
suspicions-how-far-two-readers-agree = How far two readers agree
suspicions-what-counts-as-agreement = What counts as agreement
suspicions-kappa = Kappa
suspicions-95-interval = 95 % interval
suspicions-kappa-about = 1 is full agreement, 0 what chance would give.

## Track

track-mark-found = found
track-mark-not-found = not found
track-more = { $marks } older ones are at /api/v1/track.
track-none = No complete look has come yet before which a chance was published.
track-found-of = { $found } of { $looks } complete looks found the limit reached; by the chances published before them it should have been { $expected }.
track-explained = { $found } Chances that are right would lie between { $range } in 19 of 20 cases: they do.
track-not-explained = { $found } Chances that are right would lie between { $range } in 19 of 20 cases: they do not.
track-outside = { $range }, outside
track-track-record = Track record
track-do-the-chances-still-mean = Do the chances still mean what they say?
track-drift = Drift
track-looks-that-marked-this-model = Looks that marked this model
track-evidence-of-drift = Evidence of drift
track-told-from = Told from
track-on = { $limit } on
track-the-evidence-compares-the-published = The evidence compares the published chances with others, higher, lower, bolder or more timid, whenever those may have begun to be the better ones. While the published ones are right, it passes { $limit } no sooner, in the mean, than after { $limit } looks.
track-found-against-expected = Found against expected
track-how-to-read-it-while = How to read it: while the thick line stays in the shade, chance explains the difference.
track-looks = Looks
track-number = number
track-found = found
track-expected = expected
track-right-chances-give = right chances give
track-share-found = share found
track-intervals-are-exact-and-hold = Intervals are exact and hold in 19 of 20 cases: of the number that right chances give, for unequal chances; of the share found, for whatever chance is behind it. Looks that were made because something looked bad say less of the others, so they stand apart. A chance with most hours blind, or of a silent unit, was published as a floor: more finds than it says are no surprise.
track-by-what-was-said = By what was said
track-chance-before-the-look = Chance before the look
track-look-by-look = Look by look
track-chance = chance
track-limit = limit
track-said = said
track-run-since = run since
track-by = by
track-each-complete-look-marks-the = Each complete look marks the last chance that was published at least a day before it, after the complete look before. Looks without such a chance: { $unmarked }. Looks set aside mark nothing. A chance that proved right is no permission to skip a required inspection: the plant’s longest interval governs.

## Tube

tube-named = tube { $tube }
tube-ledger-looks = Looks
tube-ledger-no-look-is-on-record = No look is on record.
tube-ledger-day = Day
tube-ledger-worst-mark-of-any-kind = Worst mark of any kind
tube-ledger-worst-groove = Worst groove
tube-ledger-extent = Extent
tube-ledger-asks-to = Asks to
tube-ledger-lives = Lives
tube-ledger-no-life-is-on-record = No life is on record.
tube-ledger-from = From
tube-ledger-to = To
tube-ledger-ended-by = Ended by
tube-ledger-wall-at-its-start = Wall at its start
tube-ledger-where-it-sat = Where it sat
tube-ledger-it-was-never-fitted = It was never fitted.
tube-ledger-work-on-it = Work on it
tube-ledger-no-work-is-on-record = No work is on record.
tube-ledger-work = Work
tube-tube = Tube { $tube }
tube-in-unit = in unit { $unit }
tube-chance-that-the-next-complete = Chance that the next complete look finds { $limit } or worse
tube-no-chance-can-be-given = No chance can be given:
tube-last-known-no-longer-current = Last known, no longer current:
tube-run-hours-ahead = Run hours ahead
tube-chance = Chance
tube-interval = Interval
tube-the-chance-by-run-hours = The chance by run hours ahead, as in the table above.
tube-any-other-dashboard-can-show = Any other dashboard can show
tube-this-picture-by-its-address = this picture by its address
tube-state-reason-given = <b>State: { $state }.</b> { $state-meaning } Reason given: { $reason }.
tube-what-wore-it-since = What wore it since
tube-each-as-hours-of-plain = Each as hours of plain running that would have done the same. They add up.
tube-hours = Like so much plain running
tube-share = Share
tube-together = Together
tube-this-tube-has-not-been = This tube has not been evaluated. Inspect on the fixed schedule.
tube-what-is-doubted = What is doubted
tube-its-life-so-far = Its life so far
tube-life-line-where-the-tube = Life line: where the tube sat, work on it, the worst grade of each look, and run hours. The tables below say the same.
tube-the-wall-at-each-look = The wall at each look
tube-the-unrolled-wall-at-each = The unrolled wall at each look, oldest first; the table of findings below says the same.
tube-by-their-addresses-for-any = By their addresses, for any other dashboard:
tube-the-life-line = the life line
tube-the-walls = the walls
tube-newest-groove-grade-of-each = Newest groove grade of each station in this life, and the worst mark of any other kind; clock positions seen from the drive end.
tube-no-station-has-been-read = No station has been read in this life: unknown, not smooth.
tube-without-a-station = Without a station:
tube-groove-grade = groove: grade { $grade }
tube-groove-not-read = groove: not read
tube-worst-mark-of-this-life = Worst mark of this life: { $mark }. Usual next step:
tube-what-it-went-through-by = What it went through, by month
tube-no-exposure-is-on-record = No exposure is on record.
tube-a-dash-this-unit-cannot = A dash: this unit cannot give it. All but run and blind hours speak of covered running only.
tube-month = Month
tube-share-of-covered-hours-by = Share of covered hours by torque and product temperature
tube-all-findings-of-this-tube = All findings of this tube by themselves

## Unit

unit-um = µm
unit-mm = mm
unit-h = h

## Validation

validation-event = { $limit } or worse
validation-late-catches = { $catches } late catches
validation-rolling = From { $from } to { $to } it was fitted { $fits } times, each time on what was known by then, and asked the day before each of the { $looks } complete looks that followed; { $found } of them found the limit reached.
validation-published = what would have been published
validation-intervals = Intervals between two looks
validation-ended = Ended at the limit
validation-tubes = Tubes
validation-lives = Lives
validation-lives-reached = Lives that reached the limit
validation-lives-censored = Lives censored: not seen to reach it
validation-behind = Behind it: { $rows } intervals of { $tubes } tubes; { $events } ended at the limit, in { $reached } of { $lives } lives, { $censored } lives are censored.
validation-stand-in = { $forecast }, { $why }: the next simpler one stood in
validation-null = { $mean }, one in twenty above { $upper }
validation-estimate = { $value } ({ $low } to { $high })
validation-concordance = Of { $pairs } pairs of lives of which one had surely reached the limit before the other could, the model put { $won } in this order: a concordance of <b>{ $share }</b>.
validation-validation-of-model = Validation of model { $version }
validation-how-model-did-on-tubes = How model { $version } did on tubes not seen
validation-back-to-the-model = Back to the model
validation-body-every-chance-below-was-foretold = Every chance below was foretold by a fit that had not seen the tube that it speaks of. An event is: { $event }.
validation-body-does-it-foretell-better-than = Does it foretell better than simpler ways?
validation-body-how-to-read-it-the = How to read it: the simplest way whose bar, one standard error between tubes, reaches the line of the best one is as good as the best.
validation-body-scores = Scores
validation-body-skill = Skill
validation-body-the-model-against = The model against
validation-body-saves-of-the-log-loss = saves of the log loss
validation-body-saves-of-the-brier-score = saves of the Brier score
validation-body-log-loss-saved-per-look = log loss saved per look (90 % interval)
validation-body-skill-0-is-no-better = Skill: 0 % is no better than the baseline, below 0 % is worse. Intervals come from the spread between tubes.
validation-body-do-its-chances-mean-what = Do its chances mean what they say?
validation-body-reliability = Reliability: { $name }
validation-body-how-to-read-it-a = How to read it: a mark above the dashed line was foretold too low, one below too high; only a cross lies further off than chance explains.
validation-body-calibration = Calibration
validation-body-calibration-slope-90-interval = calibration slope (90 % interval)
validation-body-calibration-level-90-interval = calibration level (90 % interval)
validation-body-calibration-error = calibration error
validation-body-a-perfect-forecast-would-show = a perfect forecast would show
validation-body-slope-1-is-right-below = Slope: 1 is right, below 1 the chances are too extreme, above 1 too timid. Level: the intercept with the slope held at 1; 0 is right, above 0 too few events were foretold. Both intervals come from the spread between tubes. Calibration error: mean distance between chance and share over the groups. The bands are of { $draws } sets of outcomes drawn from the chances themselves, for as many intervals as here: where a model whose every chance is right would lie in nine of ten cases. So one group in ten may be a cross by chance alone.
validation-body-does-it-put-tubes-in = Does it put tubes in the right order?
validation-body-1-is-perfect-0-5 = 1 is perfect, 0.5 is chance, and what run hours alone give. When a groove began nobody saw: only pairs count whose intervals between looks do not overlap. Two lives are compared by what was foretold of both up to the age at which the earlier one was found, and only if one fit speaks for both.
validation-body-no-two-lives-can-be = No two lives can be put in order: their intervals between looks overlap, or no fit speaks for both.
validation-body-what-would-it-have-cost = What would it have cost to open by it?
validation-body-how-to-read-it-find = How to read it: find what opening costs you as a share of a late catch; the lowest line there is the cheapest way, and that share is also the chance from which on it pays to open.
validation-body-at-each-past-look-open = At each past look: open if the chance is above cost of opening / cost of a late catch. Each opening costs that share, each groove that was not opened costs one late catch. If opening costs 2 and a late catch 25, the share is 8 %. A required inspection is not part of this choice: it is made whatever the chance.
validation-body-what-would-it-have-said = What would it have said, and saved, last year?
validation-body-found-by-its-chances = found, by its chances
validation-body-spared-and-late = Spared and late
validation-body-if-opening-costs-of-a = If opening costs, of a late catch
validation-body-opened = opened
validation-body-not-opened = not opened
validation-body-of-these-caught-late = of these caught late
validation-body-saved-against-opening-all = saved, against opening all
validation-body-opened-are-the-looks-whose = Opened are the looks whose chance was at least that share. A minus says that it would have cost more than opening every time. Required inspections are no part of this choice: they are made whatever the chance.
validation-body-what-was-left-out-together = What was left out together
validation-body-fold = Fold
validation-body-tubes = tubes
validation-body-intervals = intervals
validation-body-ended-at-the-limit = ended at the limit
validation-body-what-was-fitted = What was fitted
validation-body-publish-it = Publish it?
validation-body-a-model-that-does-well = A model that does well here still gives advice. It is not a safety function, does not measure wall thickness or plating, and says nothing about fitness for food contact or for pressure service. A low chance is no permission to skip a required inspection: the plant’s longest interval governs.
validation-body-yes = Yes
validation-body-no = No
validation-file-validation = Validation – { $name }
validation-file-how-the-model-did-on = How the model did on tubes not seen

## Wall

wall-whole-line = whole tube: { $grade }
wall-grade-at = { $grade } at { $zone }, { $clock }
wall-mark-at = { $kind }, grade { $grade }, at { $zone }, { $clock }
wall-whole = whole tube { $grade }
wall-smooth = { $stations } smooth
wall-title = Tube { $tube }: its wall at each look
wall-left-out = The { $looks } oldest looks are left out.
wall-scale = Unrolled, oldest first. Across from the drive end: { $zones }. Down: 12, 3, 6 and 9 o'clock seen from there.
wall-key = 0 to 4: groove grade. { $letters }, each with its grade. The worse, the heavier the frame; 4 is filled. Struck through: not read, so unknown. One large figure: the look speaks for the tube's worst.
wall-none = No look is on record: unknown, not smooth.

## Wear

wear-few = few hours: { $hours }
wear-under = { $covered } of covered running, worth { $worth } of plain running; { $nowhere } of it without a known torque or temperature. A cell with less than { $least } has no rate to go by, and a pale one with few hours may be high or low by chance.

## Worksheet

worksheet-mil = { $um } µm = 1 mil ({ $inch } in)
worksheet-work-sheet = Work sheet { $unit } – { $site }
worksheet-as-known = { $site } · as known { $as-known }
worksheet-loopback = <strong>No phone gets there:</strong> this link and its code lead to the service’s own machine. They need <code>address</code> under <code>[http]</code> in the config.
worksheet-unit = unit
worksheet-tube-to-expect = tube to expect
worksheet-tube-found-serial = Tube found, serial:
worksheet-another-one-say-so-before = Another one? Say so before anything else: wear belongs to the tube.
worksheet-no-tube-is-entered-as = No tube is entered as fitted: write down which one it is.
worksheet-short-code-of-the-page = Short code of the page on which findings of { $unit } are logged
worksheet-before-opening = Before opening
worksheet-this-tube-is-held-flakes = This tube is held: flakes or exposed metal are on record.
worksheet-isolation-verified-by = Isolation verified by
worksheet-at = at
worksheet-permit-no = Permit no.
worksheet-why-it-is-opened = Why it is opened
worksheet-chance-that-the-look-finds = Chance that the look finds { $limit } or worse; { $state }:
worksheet-no-chance-is-given = No chance is given: { $state }.
worksheet-what-wore-it-as-hours = What wore it:
worksheet-last-complete-look = Last complete look:
worksheet-plant-interval = . Plant’s interval: { $interval }.
worksheet-where-to-look-first = Where to look first
worksheet-then-everywhere-else-what-was = then everywhere else: what was not read is unknown, not smooth
worksheet-seen-from-the-drive-end = seen from the drive end; what was read before in this life, and room for today
worksheet-grade = grade
worksheet-kind = kind
worksheet-unreadable = unreadable
worksheet-no-tube-is-on-record = No tube is on record here: draw the wall on the back.
worksheet-0-smooth-1-visible-does = 0 smooth · 1 visible, does not catch · 2 catches a fingernail · 3 scored, gouged or rough · 4 plating chipped, flaked or worn through: stop and hold. Kinds: groove, axial scratch, pit, flake, dulling. Swab for burrs before any fingernail.
worksheet-dimensions-and-torques = Dimensions and torques
worksheet-as-the-maker-manual-for = As the maker’s manual for this unit asks; this sheet knows no torque of any bolt. Write down what was used, and from which page.
worksheet-manual-page = Manual, page
worksheet-n-m = N·m
worksheet-or-lbf-in = or lbf·in
worksheet-set-by = Set by
worksheet-head-drive-end = Head, drive end
worksheet-head-far-end = Head, far end
worksheet-blade-pins-or-clips = Blade pins or clips
worksheet-torques = { $nm } N·m = { $lbf-in } lbf·in = { $lbf-ft } lbf·ft
worksheet-bore-measured = Bore measured:
worksheet-mm-is = mm =
worksheet-in-at = in, at
worksheet-wall-left = Wall left:
worksheet-signed = Signed
worksheet-time = Time
worksheet-signature = Signature
worksheet-opened = Opened
worksheet-wall-read-blades-counted = Wall read, blades counted
worksheet-work-done-on-the-tube = Work done on the tube, or tube changed for serial
worksheet-closed-isolation-given-back = Closed, isolation given back
worksheet-released-for-product-by-the = Released for product by the responsible person
worksheet-findings-entered = Findings entered
worksheet-run-hours-on-the-meter = Run hours on the meter:
worksheet-groovecast-it-writes-nothing-to = groovecast { $version }. It writes nothing to controls, and it releases nothing.
