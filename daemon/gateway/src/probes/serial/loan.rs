//! A line lent to somebody who looks for probes on it. Polling stops, the port is closed, and everything goes on
//! by itself when the borrower is done, has died, has used up its time, or when the horn needs the line.

use std::time::Duration;

use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::said::said;
use pondreeve_core::site::ProbeIndex;
use tokio::sync::{mpsc, oneshot};
use tokio::time::Instant;
use tracing::info;

use super::super::report::{Gone, Reporter};
use super::coils::{CoilJob, Coils};

/// A line is lent for no longer than this, pauses for the horn included: shorter than the time after which
/// unseen oxygen alarms, so that a scan alone raises no such alarm.
pub const LENT_AT_MOST: Duration = Duration::from_secs(5 * 60);

/// Its probes are then read for at least this long before it is lent again.
pub const READ_BETWEEN: Duration = Duration::from_secs(2 * 60);

/// A loan shorter than this is not worth stopping the polls.
const WORTH_IT: Duration = Duration::from_secs(5);

/// A recalled line should be free within this; then it is opened again, which fails while it is held.
const RETURN_WITHIN: Duration = Duration::from_secs(3);

/// Asks that wait: whoever asks waits for the answer.
const ASKS_BOUND: usize = 4;

/// Somebody wants the line.
#[derive(Debug)]
pub struct LoanAsk {
    /// Who, for the log and the alarm list.
    pub by: String,
    /// For so long.
    pub length: Duration,
    /// Answered once the port is closed, or with why it is not lent.
    pub answer: oneshot::Sender<Result<Loan, String>>,
}

/// A line on loan; it is given back when this is dropped.
#[derive(Debug)]
pub struct Loan {
    /// For so long.
    pub length: Duration,
    recalled: oneshot::Receiver<String>,
    _held: oneshot::Sender<()>,
}

impl Loan {
    /// Waits until the line is wanted back, with the reason. Cancel-safe.
    pub async fn recalled(&mut self) -> String {
        (&mut self.recalled).await.unwrap_or_else(|_gone| "the daemon is stopping".to_owned())
    }
}

/// Where lines are asked for.
pub type LoanSender = mpsc::Sender<LoanAsk>;

/// Where a bus hears it.
#[derive(Debug)]
pub struct Loans(mpsc::Receiver<LoanAsk>);

/// A pair of both.
pub fn queue() -> (LoanSender, Loans) {
    let (sender, receiver) = mpsc::channel(ASKS_BOUND);
    (sender, Loans(receiver))
}

impl Loans {
    /// One that waits now.
    pub(in crate::probes) fn waiting(&mut self) -> Option<LoanAsk> {
        self.0.try_recv().ok()
    }

    /// The next one; pending for ever once nobody can ask. Cancel-safe.
    pub(in crate::probes) async fn next(&mut self) -> LoanAsk {
        match self.0.recv().await {
            Some(ask) => ask,
            None => std::future::pending().await,
        }
    }
}

/// How long a line was lent of late.
#[derive(Debug, Default)]
pub(in crate::probes) struct Window {
    began: Option<Instant>,
}

impl Window {
    /// For how long it may be lent now.
    pub(super) fn grant(&mut self, asked: Duration, now: Instant) -> Result<Duration, String> {
        let since = self.began.map(|began| now.saturating_duration_since(began));
        let used = match since.filter(|since| *since < LENT_AT_MOST + READ_BETWEEN) {
            Some(used) => used,
            None => {
                self.began = Some(now);
                Duration::ZERO
            }
        };
        let left = LENT_AT_MOST.saturating_sub(used).min(asked);
        if left >= WORTH_IT {
            return Ok(left);
        }
        let wait = (LENT_AT_MOST + READ_BETWEEN).saturating_sub(used).as_secs() + 1;
        Err(format!(
            "the line was lent for long enough: its probes are read for a while, and it can be lent again in {wait} s"
        ))
    }
}

/// Lends a line whose port is closed, says so, and waits until it is back; with a coil that goes first then. `probes`
/// are those of the line, with their names.
pub(in crate::probes) async fn lend_line(
    line: &str,
    probes: &[(ProbeIndex, String)],
    ask: LoanAsk,
    window: &mut Window,
    (coils, loans): (&mut Coils, &mut Loans),
    reporter: &mut Reporter,
) -> Result<Option<CoilJob>, Gone> {
    let length = match window.grant(ask.length, Instant::now()) {
        Ok(length) => length,
        Err(why) => {
            let _ = ask.answer.send(Err(why));
            return Ok(None);
        }
    };
    let seconds = length.as_secs();
    let detail = said!(
        "trouble-line-lent",
        "line lent to a scan that {by} started, for at most {seconds} s: its probes are not read meanwhile, and oxygen that is not seen alarms as ever",
        by = &ask.by,
        seconds = seconds.to_string()
    )
    .into();
    info!(line, by = ask.by, seconds, "line lent to a scan");
    reporter.gateway_fault(GatewayPart::Bus, line, Some(detail)).await?;
    for (probe, name) in probes {
        let detail = format!("{name}: line lent to a scan");
        reporter.probe_fault(*probe, ProbeFault::Lent, &detail).await?;
    }
    let recalled_for = lend(ask, length, coils, loans).await;
    info!(line, "line back from the scan");
    Ok(recalled_for)
}

/// Hands the line over and waits until it is back. A coil that is to be switched recalls it, and is given back
/// to be switched first.
async fn lend(ask: LoanAsk, length: Duration, coils: &mut Coils, loans: &mut Loans) -> Option<CoilJob> {
    let LoanAsk { by, answer, .. } = ask;
    let (held, mut gone) = oneshot::channel::<()>();
    let (recall, recalled) = oneshot::channel();
    if answer.send(Ok(Loan { length, recalled, _held: held })).is_err() {
        // The one who asked has gone meanwhile.
        return None;
    }
    let until = Instant::now() + length;
    let (why, job) = loop {
        tokio::select! {
            _ = &mut gone => return None,
            () = tokio::time::sleep_until(until) => break ("its time is up", None),
            job = coils.next() => break ("the horn or the lamp is to be switched", Some(job)),
            other = loans.next() => {
                let _ = other.answer.send(Err(format!("the line is lent already, to a scan of {by}")));
            }
        }
    };
    // Fails only if the borrower has just gone.
    let _ = recall.send(why.to_owned());
    let _ = tokio::time::timeout(RETURN_WITHIN, gone).await;
    job
}

#[cfg(test)]
mod tests {
    use pondreeve_protocol::modbus::CoilWrite;

    use super::super::coils;
    use super::*;

    #[test]
    fn a_line_is_lent_for_some_minutes_and_then_read_for_some() {
        let start = Instant::now();
        let at = |seconds: u64| start + Duration::from_secs(seconds);
        let mut window = Window::default();
        let hour = Duration::from_secs(3_600);
        assert_eq!(window.grant(hour, at(0)), Ok(LENT_AT_MOST));
        assert_eq!(window.grant(Duration::from_secs(60), at(100)), Ok(Duration::from_secs(60)));
        assert_eq!(window.grant(hour, at(200)), Ok(Duration::from_secs(100)), "the rest of the five minutes");
        assert!(window.grant(hour, at(299)).unwrap_err().ends_with("again in 122 s"));
        assert!(window.grant(hour, at(419)).is_err());
        assert_eq!(window.grant(hour, at(420)), Ok(LENT_AT_MOST));
    }

    async fn ask(sender: &LoanSender) -> oneshot::Receiver<Result<Loan, String>> {
        let (answer, answered) = oneshot::channel();
        let ask = LoanAsk { by: "ana".into(), length: LENT_AT_MOST, answer };
        sender.send(ask).await.unwrap();
        answered
    }

    #[tokio::test(start_paused = true)]
    async fn a_line_comes_back_however_the_loan_ends() {
        let ((sender, mut loans), (horn, mut coils)) = (queue(), coils::queue());
        let length = Duration::from_secs(60);
        // The borrower is done, or dies: the same.
        let answered = ask(&sender).await;
        let first = loans.next().await;
        let borrower = tokio::spawn(async move {
            let loan = answered.await.unwrap().unwrap();
            tokio::time::sleep(Duration::from_secs(7)).await;
            drop(loan);
        });
        let began = Instant::now();
        assert!(lend(first, length, &mut coils, &mut loans).await.is_none());
        assert_eq!(began.elapsed(), Duration::from_secs(7));
        borrower.await.unwrap();
        // A second one is told that it is lent; the time is up, and the borrower does not let go.
        let answered = ask(&sender).await;
        let first = loans.next().await;
        let second = ask(&sender).await;
        let began = Instant::now();
        assert!(lend(first, length, &mut coils, &mut loans).await.is_none());
        assert_eq!(began.elapsed(), length + RETURN_WITHIN);
        assert!(second.await.unwrap().unwrap_err().contains("lent already, to a scan of ana"));
        assert_eq!(answered.await.unwrap().unwrap().recalled().await, "its time is up");
        // The horn recalls it at once, and its write is not lost.
        let answered = ask(&sender).await;
        let first = loans.next().await;
        let (done, _confirmed) = oneshot::channel();
        let write = CoilWrite::decode(&[60, 5, 0, 3, 0xFF, 0, 0x78, 0xd7]).unwrap();
        horn.send(CoilJob { write, patience: length, attempts: 1, done }).await.unwrap();
        let began = Instant::now();
        let borrower = tokio::spawn(async move { answered.await.unwrap().unwrap().recalled().await });
        let job = lend(first, length, &mut coils, &mut loans).await;
        assert_eq!((job.map(|job| job.write.coil), began.elapsed()), (Some(3), Duration::ZERO));
        assert_eq!(borrower.await.unwrap(), "the horn or the lamp is to be switched");
    }
}
