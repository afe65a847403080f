//! The simulated serial line against an independent Modbus master (tokio-modbus).

use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use pondreeve_protocol::modbus::{CoilWrite, Framing};
use pondreeve_protocol::register_map::{Number, Register, RegisterMap, Table, WordOrder};
use sim::faults::LineFault;
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};
use tokio_modbus::client::{Context, Reader as _, Writer as _, rtu};
use tokio_modbus::prelude::SlaveContext as _;
use tokio_modbus::{ExceptionCode, Slave};

fn register(
    channel: &str,
    table: Table,
    address: u16,
    number: Number,
    order: WordOrder,
    scale: f64,
) -> Register {
    Register {
        channel: channel.into(),
        table,
        address,
        number,
        order,
        scale,
        offset: 0.0,
        unit: String::new(),
        no_value: Vec::new(),
        range: None,
    }
}

fn map(registers: Vec<Register>) -> Arc<RegisterMap> {
    Arc::new(RegisterMap { id: "test".into(), description: String::new(), gap: 0, registers })
}

fn open(line: &Line) -> Context {
    let port =
        tokio_serial::SerialStream::open(&tokio_serial::new(line.path().to_string_lossy(), 9_600)).unwrap();
    rtu::attach_slave(port, Slave(11))
}

/// Unit 11: oxygen as a float in holding registers, temperature ×100 as input register. Unit 51: two
/// clamps behind one address.
fn unit(number: u8, fault: Option<LineFault>) -> Option<Answer> {
    let parts = match number {
        11 => vec![Part {
            map: map(vec![
                register("do_mg_l", Table::Holding, 100, Number::F32, WordOrder::Cdab, 1.0),
                register("temperature_c", Table::Input, 7, Number::I16, WordOrder::Abcd, 0.01),
            ]),
            values: vec![4.5, 29.25],
        }],
        51 => [(0, 4.5), (1, 2.25)]
            .map(|(address, kw)| Part {
                map: map(vec![register(
                    "aerator_kw",
                    Table::Holding,
                    address,
                    Number::U16,
                    WordOrder::Abcd,
                    0.01,
                )]),
                values: vec![kw],
            })
            .to_vec(),
        _ => return None,
    };
    Some(Answer { parts, fault })
}

#[tokio::test]
async fn an_independent_master_reads_every_unit() {
    let folder = tempfile::tempdir().unwrap();
    let line = Line::open(&folder.path().join("bus0")).unwrap();
    let _server = Server::start(&line, |number| unit(number, None)).unwrap();
    let mut master = open(&line);
    // 4.5 is 0x4090_0000 in IEEE 754; low word first.
    assert_eq!(master.read_holding_registers(100, 2).await.unwrap().unwrap(), [0x0000, 0x4090]);
    assert_eq!(master.read_input_registers(7, 1).await.unwrap().unwrap(), [2_925]);
    assert_eq!(
        master.read_holding_registers(100, 3).await.unwrap().unwrap_err(),
        ExceptionCode::IllegalDataAddress
    );
    master.set_slave(Slave(51));
    assert_eq!(master.read_holding_registers(0, 2).await.unwrap().unwrap(), [450, 225]);
    master.set_slave(Slave(99));
    let silent = tokio::time::timeout(Duration::from_millis(200), master.read_holding_registers(0, 1)).await;
    assert!(silent.is_err(), "a unit that is not there stays silent");
}

#[tokio::test]
async fn faults_look_to_a_master_like_those_of_real_lines() {
    let folder = tempfile::tempdir().unwrap();
    let line = Line::open(&folder.path().join("bus0")).unwrap();
    let fault = Arc::new(Mutex::new(None));
    let now = Arc::clone(&fault);
    let _server = Server::start(&line, move |number| unit(number, *now.lock().unwrap())).unwrap();
    let set = |kind| *fault.lock().unwrap() = kind;
    let patience = Duration::from_millis(300);

    set(Some(LineFault::Exception(4)));
    let mut master = open(&line);
    assert_eq!(
        master.read_input_registers(7, 1).await.unwrap().unwrap_err(),
        ExceptionCode::ServerDeviceFailure
    );

    // Without a valid frame this master waits or gives up; it must not return a value.
    for broken in [LineFault::BadChecksum, LineFault::Silent] {
        set(Some(broken));
        let answer = tokio::time::timeout(patience, master.read_input_registers(7, 1)).await;
        assert!(!matches!(answer, Ok(Ok(Ok(_)))), "{broken:?} gave {answer:?}");
        drop(master);
        tokio::time::sleep(Duration::from_millis(50)).await;
        master = open(&line);
    }

    set(Some(LineFault::Late(120)));
    let began = tokio::time::Instant::now();
    assert_eq!(master.read_input_registers(7, 1).await.unwrap().unwrap(), [2_925]);
    assert!(began.elapsed() >= Duration::from_millis(120));

    // Fewer stray bytes than this master skips by itself.
    set(Some(LineFault::Stray(3)));
    assert_eq!(master.read_input_registers(7, 1).await.unwrap().unwrap(), [2_925]);
}

#[tokio::test]
async fn a_line_leaves_no_path_and_no_thread_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bus0");
    let asked = Arc::new(AtomicU8::new(0));
    {
        let line = Line::open(&path).unwrap();
        let count = Arc::clone(&asked);
        let _server = Server::start(&line, move |number| {
            count.fetch_add(1, Ordering::Relaxed);
            unit(number, None)
        })
        .unwrap();
        assert_eq!(open(&line).read_input_registers(7, 1).await.unwrap().unwrap(), [2_925]);
        assert!(path.exists());
    }
    assert_eq!(asked.load(Ordering::Relaxed), 1);
    assert_eq!(Arc::strong_count(&asked), 1, "the server's thread has ended and let go");
    assert!(std::fs::symlink_metadata(&path).is_err(), "the path is gone");
}

#[tokio::test]
async fn an_independent_master_switches_the_coils_of_a_relay_board() {
    let folder = tempfile::tempdir().unwrap();
    let line = Line::open(&folder.path().join("bus0")).unwrap();
    let switched: Arc<Mutex<Vec<(u16, bool)>>> = Arc::default();
    let heard = Arc::clone(&switched);
    let switch = move |write: &CoilWrite| {
        let is_own = write.unit == 60 && write.coil < 2;
        if is_own {
            heard.lock().unwrap().push((write.coil, write.on));
        }
        (write.unit == 60).then_some(is_own)
    };
    let _server = Server::with_relay(&line, Framing::Rtu, |number| unit(number, None), switch).unwrap();
    let mut master = open(&line);
    master.set_slave(Slave(60));
    master.write_single_coil(1, true).await.unwrap().unwrap();
    master.write_single_coil(1, false).await.unwrap().unwrap();
    assert_eq!(
        master.write_single_coil(7, true).await.unwrap().unwrap_err(),
        ExceptionCode::IllegalDataAddress,
        "the board has two coils"
    );
    assert_eq!(*switched.lock().unwrap(), [(1, true), (1, false)]);
    // A probe has none, and the line goes on.
    master.set_slave(Slave(51));
    assert_eq!(master.write_single_coil(0, true).await.unwrap().unwrap_err(), ExceptionCode::IllegalFunction);
    assert_eq!(master.read_holding_registers(0, 2).await.unwrap().unwrap(), [450, 225]);
}
