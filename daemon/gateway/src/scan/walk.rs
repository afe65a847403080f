//! The walk over settings and addresses, and the closer look at whoever answers.

use std::io;
use std::time::Duration;

use pondreeve_protocol::modbus::survey::{self, Identity, Sign};
use pondreeve_protocol::modbus::{Found, Framing, ReadRequest, exception_name};
use pondreeve_protocol::register_map::{RegisterMap, Table};
use tokio::time::Instant;

use super::by_server;
use super::fit::{self, Fit};
use super::wire::Wire;
use super::{Access, Garbled, Outcome, Plan, Progress, Setting, Tried, Unit};
use crate::probes::serial::Port;

/// The line is listened to for so long before anything is asked on it.
const LISTEN: Duration = Duration::from_millis(300);

/// An address that was unclear is asked again with this many times the patience.
const PATIENT: u32 = 4;

/// A unit that has answered is given at least this long for each of its registers.
pub(super) const LOOK_PATIENCE: Duration = Duration::from_millis(300);

/// Looks at the values of a map that fits, and the pause between them.
const LOOKS: usize = 3;
const BETWEEN_LOOKS: Duration = Duration::from_millis(150);

/// After so many unanswered requests for registers no further map is tried on a unit: it keeps silent where
/// others refuse, and each silence costs time.
const SILENCES: usize = 4;

/// Longest answer to an identification request.
const IDENTITY_BYTES: usize = 120;

/// Registers shown of a unit that no map fits.
const SHOWN: u16 = 8;

/// Why a scan ends before its end.
pub(super) struct Stop {
    pub(super) why: String,
    /// What a serial server answered, or that it hung up: it may be spoken to otherwise.
    pub(super) misunderstood: bool,
}

impl From<String> for Stop {
    fn from(why: String) -> Self {
        Self { why, misunderstood: false }
    }
}

impl From<io::Error> for Stop {
    fn from(error: io::Error) -> Self {
        // As `wire` marks what becomes of a connection.
        if error.kind() == io::ErrorKind::NotConnected {
            return by_server::ended(&error);
        }
        Self::from(format!("the port failed: {error}; is the adapter plugged in?"))
    }
}

pub(super) type Step<T> = Result<T, Stop>;

/// Looks for probes as planned. `tell` hears how far it is; `is_over` says whether somebody wants it to end.
pub async fn scan(
    plan: &Plan,
    access: &mut Access,
    tell: &mut dyn FnMut(Progress),
    is_over: &dyn Fn() -> bool,
) -> Outcome {
    let began = Instant::now();
    let bus = access.lent().map(|lent| lent.bus.clone());
    let mut outcome = Outcome { bus, ..Outcome::default() };
    let mut walk = Walk { plan, access, tell, is_over, server_waits: None, is_understood: false };
    for (place, &setting) in plan.settings.iter().enumerate() {
        let before = outcome.units.len() + outcome.garbled.len();
        let stopped = walk.setting(setting, &mut outcome).await.err();
        let is_found = outcome.units.len() + outcome.garbled.len() > before;
        if let Some(stop) = stopped {
            if stop.misunderstood && !walk.is_understood && place + 1 < plan.settings.len() {
                continue;
            }
            outcome.stopped = Some(stop.why);
            outcome.left = plan.settings.get(place..).unwrap_or_default().to_vec();
            break;
        }
        // A server that says who is not there has understood.
        if !plan.every_setting && (is_found || (setting.by_server && walk.is_understood)) {
            outcome.left = plan.settings.get(place + 1..).unwrap_or_default().to_vec();
            break;
        }
    }
    if let Some(length) = plan.watch.filter(|_| outcome.stopped.is_none()) {
        outcome.stopped = walk.watch(&mut outcome, length).await.err().map(|stop| stop.why);
    }
    walk.access.end().await;
    outcome.took = began.elapsed();
    outcome
}

pub(super) struct Walk<'a> {
    pub(super) plan: &'a Plan,
    pub(super) access: &'a mut Access,
    pub(super) tell: &'a mut dyn FnMut(Progress),
    pub(super) is_over: &'a dyn Fn() -> bool,
    /// How long a server of Modbus TCP waits for a unit before it says that none is there, as far as is known.
    pub(super) server_waits: Option<Duration>,
    /// Something sound has come at this setting.
    is_understood: bool,
}

/// What knocking at an address gave.
#[derive(Debug, Default)]
struct Knock {
    /// Of units that are there.
    signs: Vec<Sign>,
    /// Bytes without a sound answer of the unit asked.
    unclear: usize,
    after: Duration,
    /// After so long a server said that there is no such unit.
    absent: Option<Duration>,
}

impl Walk<'_> {
    /// The wire, after a look whether it is wanted back.
    async fn wire(&mut self) -> Step<&mut Wire<Port>> {
        if (self.is_over)() {
            return Err("it was interrupted".to_owned().into());
        }
        self.access.between(self.tell).await?;
        self.access.wire.as_mut().ok_or_else(|| "the port is closed".to_owned().into())
    }

    async fn setting(&mut self, setting: Setting, outcome: &mut Outcome) -> Step<()> {
        (self.tell)(Progress::Setting(setting));
        self.access.open(setting).await?;
        (self.server_waits, self.is_understood) = (None, false);
        outcome.tried.push(Tried { setting, addresses: 0, unasked_bytes: 0, absent: 0 });
        let heard = self.wire().await?.listen(LISTEN).await?;
        if let Some(unit) = overheard(&heard) {
            return Err(Stop::from(format!(
                "somebody else speaks on this line at {setting}: a sound frame to or from address {unit} came \
                 before anything was asked. Two masters garble each other: stop the other one first"
            )));
        }
        if let Some(tried) = outcome.tried.last_mut() {
            tried.unasked_bytes = heard.len();
        }
        let mut there: Vec<u8> = Vec::new();
        let mut unclear: Vec<u8> = Vec::new();
        let ended = self.addresses(outcome, &mut there, &mut unclear).await;
        // What was found before it ended is looked at all the same, unless the line itself is gone.
        for address in unclear {
            if ended.is_err() || there.contains(&address) {
                continue;
            }
            let again = self.knock(address, self.plan.patience * PATIENT).await?;
            if again.signs.iter().any(|sign| sign.unit == address) {
                there.push(address);
                (self.tell)(Progress::Found(address));
            } else if again.unclear > 0 {
                outcome.garbled.push(Garbled { address, setting, bytes: again.unclear, twice: false });
            }
        }
        there.sort_unstable();
        if self.access.wire.is_some() && !(self.is_over)() {
            for address in there {
                (self.tell)(Progress::Look(address));
                match self.look(address, setting).await? {
                    Some(Ok(unit)) => outcome.units.push(unit),
                    Some(Err(twice)) => outcome.garbled.push(twice),
                    None => {}
                }
            }
        }
        ended
    }

    async fn addresses(
        &mut self,
        outcome: &mut Outcome,
        there: &mut Vec<u8>,
        unclear: &mut Vec<u8>,
    ) -> Step<()> {
        let of = self.plan.addresses.len();
        for (done, &address) in self.plan.addresses.iter().enumerate() {
            (self.tell)(Progress::Address { address, done, of, found: there.len() });
            let knock = self.knock(address, self.patience()).await?;
            self.learn(knock.absent, knock.signs.is_empty());
            for sign in &knock.signs {
                // A slow unit may answer while the next is asked.
                if self.plan.addresses.contains(&sign.unit) && !there.contains(&sign.unit) {
                    there.push(sign.unit);
                    (self.tell)(Progress::Found(sign.unit));
                }
            }
            if knock.unclear > 0 && !there.contains(&address) {
                unclear.push(address);
            }
            if let Some(tried) = outcome.tried.last_mut() {
                tried.addresses = done + 1;
                tried.absent += usize::from(tried.setting.by_server && knock.absent.is_some());
            }
            self.check_that_it_is_modbus(done + 1, unclear.len())?;
        }
        Ok(())
    }

    /// Asks an address for one register of each table until it answers.
    async fn knock(&mut self, address: u8, patience: Duration) -> Step<Knock> {
        let mut knock = Knock::default();
        let over_tcp = self.is_over_tcp();
        let is_there = |sign: &Sign| !by_server::is_absent(sign, over_tcp);
        for request in survey::knocks(address) {
            // A gateway in between says so of units that are not there.
            let own = |sign: &Sign| sign.unit == address;
            let find = |bytes: &[u8]| {
                let signs = survey::signs(bytes, &request);
                signs.iter().any(own).then_some(signs)
            };
            let wire = self.wire().await?;
            let heard = wire.knock(&request.encode(), request.answer_bytes(), patience, find).await?;
            if let Some(signs) = heard.found {
                let answers = signs.iter().any(|sign| own(sign) && is_there(sign));
                self.is_understood = true;
                knock.signs.extend(signs.into_iter().filter(is_there));
                knock.after = heard.after;
                knock.absent = (!answers).then_some(heard.after);
                if answers {
                    return Ok(knock);
                }
                continue;
            }
            let others = survey::signs(&heard.bytes, &request);
            let echo = heard.bytes.windows(8).filter(|bytes| *bytes == request.encode()).count() * 8;
            let sound: usize = others
                .iter()
                .map(|sign| if sign.exception.is_some() { 5 } else { request.answer_bytes() })
                .sum();
            let unclear = heard.stray + heard.bytes.len().saturating_sub(echo + sound);
            self.is_understood |= !others.is_empty();
            knock.signs.extend(others.into_iter().filter(is_there));
            if unclear > 0 {
                knock.unclear = unclear;
                self.wire().await?.settle(Duration::from_millis(50)).await?;
            }
        }
        Ok(knock)
    }

    /// Looks closely at a unit; `None` if it does not answer a second time, an error if two answer.
    async fn look(&mut self, address: u8, setting: Setting) -> Step<Option<Result<Unit, Garbled>>> {
        let patience = LOOK_PATIENCE.max(self.plan.patience * PATIENT);
        let quiet = self.plan.patience;
        self.wire().await?.settle(quiet).await?;
        let knock = self.knock(address, patience).await?;
        if !knock.signs.iter().any(|sign| sign.unit == address) {
            return Ok(None);
        }
        // Another answer to the same question is another's, and would be taken for that to the next.
        let more = self.wire().await?.listen(quiet).await?;
        if survey::overheard(&more) == Some(address) {
            return Ok(Some(Err(Garbled { address, setting, bytes: more.len(), twice: true })));
        }
        let patience = patience.max(knock.after * 3);
        let known = self.access.lent().map(|lent| lent.probes.as_slice()).unwrap_or_default();
        let known_as = known.iter().filter(|probe| probe.address == address).map(|probe| probe.id.clone());
        let mut unit = Unit {
            address,
            setting,
            answers_in: knock.after,
            identity: None,
            fits: Vec::new(),
            others: Vec::new(),
            registers: Vec::new(),
            known_as: known_as.collect(),
        };
        self.profiles(&mut unit, patience).await?;
        if unit.fits.is_empty() {
            for table in [Table::Holding, Table::Input] {
                if let Some(words) = self.first_registers(address, table, patience).await? {
                    unit.registers.push((table, words));
                }
            }
        }
        unit.identity = self.identity(address, patience).await?;
        Ok(Some(Ok(unit)))
    }

    async fn profiles(&mut self, unit: &mut Unit, patience: Duration) -> Step<()> {
        let mut silences = 0;
        let plan = self.plan;
        for map in &plan.profiles {
            if silences >= SILENCES {
                unit.others
                    .push((map.id.clone(), "not tried: it keeps silent about what it has not".to_owned()));
                continue;
            }
            match self.try_map(unit.address, map, patience, &mut silences).await? {
                Ok(fit) => unit.fits.push(fit),
                Err(why) => unit.others.push((map.id.clone(), why)),
            }
        }
        // The same registers again, so that a person sees what moves.
        for _ in 1..LOOKS {
            if unit.fits.is_empty() {
                break;
            }
            tokio::time::sleep(BETWEEN_LOOKS).await;
            for fit in std::mem::take(&mut unit.fits) {
                let again = self.try_map(unit.address, &fit.map, patience, &mut silences).await?;
                match again {
                    Ok(again) => {
                        let mut fit = fit;
                        fit.seen
                            .iter_mut()
                            .zip(again.seen)
                            .for_each(|(seen, more)| fit::look_again(seen, more));
                        unit.fits.push(fit);
                    }
                    Err(why) => unit.others.push((fit.map.id, format!("fitted at first, then not: {why}"))),
                }
            }
        }
        fit::sort(&mut unit.fits);
        Ok(())
    }

    pub(super) async fn try_map(
        &mut self,
        address: u8,
        map: &RegisterMap,
        patience: Duration,
        silences: &mut usize,
    ) -> Step<Result<Fit, String>> {
        let Ok(blocks) = map.plan() else { return Ok(Err("it cannot be planned".to_owned())) };
        let mut seen: Vec<Option<fit::Seen>> = vec![None; map.registers.len()];
        for block in blocks {
            let words = match self.read(&block.request(address), patience).await? {
                Ok(words) => words,
                Err(why) => {
                    *silences += usize::from(why == SILENT);
                    return Ok(Err(why));
                }
            };
            for &place in &block.serves {
                let Some(register) = map.registers.get(place) else { continue };
                match fit::look(register, block.words(register, &words).unwrap_or_default()) {
                    Ok(found) => {
                        if let Some(own) = seen.get_mut(place) {
                            *own = Some(found);
                        }
                    }
                    Err(why) => return Ok(Err(why)),
                }
            }
        }
        Ok(Ok(Fit { map: map.clone(), seen: seen.into_iter().flatten().collect(), in_doubt: false }))
    }

    /// Reads registers; inside, why not.
    async fn read(&mut self, request: &ReadRequest, patience: Duration) -> Step<Result<Vec<u16>, String>> {
        let wire = self.wire().await?;
        let find = |bytes: &[u8]| match request.find_answer(bytes) {
            Found::NotYet => None,
            found => Some(found),
        };
        let heard = wire.ask(&request.encode(), request.answer_bytes(), patience, find).await?;
        Ok(match heard.found {
            Some(Found::Registers { registers, .. }) => Ok(registers),
            Some(Found::Exception { code, .. }) => {
                Err(format!("it refused with Modbus exception {code} ({})", exception_name(code)))
            }
            Some(Found::NotYet) | None => {
                // Whatever is late must not be taken for the answer to what is asked next.
                wire.settle(patience).await?;
                let came = heard.came;
                Err(match (came, heard.bytes.is_empty()) {
                    (0, _) => SILENT.to_owned(),
                    (_, true) => format!("{came} bytes came, but no frame with a sound checksum"),
                    (_, false) => {
                        format!("{came} bytes came, but no valid answer: {}", request.explain(&heard.bytes))
                    }
                })
            }
        })
    }

    /// So many registers of a table from the first, if they can be read.
    pub(super) async fn registers(
        &mut self,
        unit: u8,
        table: Table,
        count: u16,
        patience: Duration,
    ) -> Step<Option<Vec<u16>>> {
        Ok(self.read(&ReadRequest { unit, table, address: 0, count }, patience).await?.ok())
    }

    /// The first registers of a table, as many as it has of the first few.
    async fn first_registers(
        &mut self,
        unit: u8,
        table: Table,
        patience: Duration,
    ) -> Step<Option<Vec<u16>>> {
        for count in [SHOWN, 4, 2, 1] {
            let request = ReadRequest { unit, table, address: 0, count };
            match self.read(&request, patience).await? {
                Ok(words) => return Ok(Some(words)),
                Err(why) if why == SILENT => return Ok(None),
                Err(_) => {}
            }
        }
        Ok(None)
    }

    async fn identity(&mut self, address: u8, patience: Duration) -> Step<Option<String>> {
        let wire = self.wire().await?;
        let find = |bytes: &[u8]| survey::find_identity(bytes, address);
        let question = survey::identity_request(address);
        let heard = wire.ask(&question, IDENTITY_BYTES, patience, find).await?;
        if heard.found.is_none() {
            wire.settle(patience).await?;
        }
        Ok(match heard.found {
            Some(Identity::Told(texts)) => {
                let told: Vec<&str> =
                    texts.iter().map(|text| text.trim()).filter(|text| !text.is_empty()).collect();
                Some(told.join(", ")).filter(|text| !text.is_empty())
            }
            Some(Identity::Refused(_)) | None => None,
        })
    }
}

/// The unit of a sound frame of somebody else, however frames travel here: two masters garble each other either way.
fn overheard(heard: &[u8]) -> Option<u8> {
    let text: Vec<u8> = Framing::Ascii.frames(heard, 0).into_iter().flat_map(|frame| frame.rtu).collect();
    survey::overheard(heard).or_else(|| survey::overheard(&text))
}

/// Why nothing was read, where nothing came.
const SILENT: &str = "no answer";
