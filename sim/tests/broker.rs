//! The embedded broker does what the demo and the tests need of it, seen by an MQTT client.

use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS};

fn client(port: u16, id: &str) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(5));
    options.set_manual_acks(true);
    AsyncClient::new(options, 16)
}

async fn until<T>(events: &mut EventLoop, mut wanted: impl FnMut(&Event) -> Option<T>) -> T {
    let search = async {
        loop {
            let event = events.poll().await.expect("the broker keeps the connection");
            if let Some(found) = wanted(&event) {
                return found;
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(10), search).await.expect("within ten seconds")
}

fn message(event: &Event) -> Option<Publish> {
    match event {
        Event::Incoming(Packet::Publish(publish)) => Some(publish.clone()),
        _ => None,
    }
}

async fn subscribed(events: &mut EventLoop) {
    until(events, |event| matches!(event, Event::Incoming(Packet::SubAck(_))).then_some(())).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_acknowledgements_retention_and_wills_work() {
    let port = tokio::task::spawn_blocking(sim::broker::start).await.unwrap().unwrap();

    // QoS 1 both ways, with the receiver's own acknowledgement.
    let (reader, mut reading) = client(port, "reader");
    reader.subscribe("farm/+/probe", QoS::AtLeastOnce).await.unwrap();
    subscribed(&mut reading).await;
    let (sender, mut sending) = client(port, "sender");
    for number in 0..3 {
        sender.publish("farm/p3/probe", QoS::AtLeastOnce, false, number.to_string()).await.unwrap();
        until(&mut sending, |event| matches!(event, Event::Incoming(Packet::PubAck(_))).then_some(())).await;
    }
    for number in 0..3 {
        let publish = until(&mut reading, message).await;
        assert_eq!((publish.qos, &publish.payload[..]), (QoS::AtLeastOnce, number.to_string().as_bytes()));
        reader.ack(&publish).await.unwrap();
    }

    // A retained message reaches one who comes later; the last will reaches all when a client dies.
    let mut options = MqttOptions::new("gateway", "127.0.0.1", port);
    options.set_last_will(LastWill::new("farm/health", "offline", QoS::AtLeastOnce, true));
    let (gateway, mut living) = AsyncClient::new(options, 16);
    gateway.publish("farm/health", QoS::AtLeastOnce, true, "online").await.unwrap();
    until(&mut living, |event| matches!(event, Event::Incoming(Packet::PubAck(_))).then_some(())).await;
    let (late, mut listening) = client(port, "late");
    late.subscribe("farm/health", QoS::AtLeastOnce).await.unwrap();
    let publish = until(&mut listening, message).await;
    assert_eq!((&publish.payload[..], publish.retain), (&b"online"[..], true));
    drop((gateway, living));
    let publish = until(&mut listening, message).await;
    assert_eq!(&publish.payload[..], b"offline");
}
