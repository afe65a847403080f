//! Packets against bytes written by hand from the standards, and against the client library's reader.

use super::*;

/// From MQTT 3.1.1 and 5.0, sections 3.2, 3.4, 3.13, 3.14, byte by byte.
#[test]
fn what_a_broker_says_is_read() {
    use Version::{Five, Four};
    let welcome = || Heard::Welcome(Terms::default());
    for (version, bytes, heard) in [
        (Four, &[0x20, 2, 0, 0][..], welcome()),
        (Four, &[0x20, 2, 0, 5], Heard::Refused(5)),
        (Four, &[0x40, 2, 0x12, 0x34], Heard::Confirmed(0x1234)),
        (Four, &[0xd0, 0], Heard::There),
        (Five, &[0x20, 3, 1, 0, 0], welcome()),
        // A broker of 3.1.1 only, which answers in its own way.
        (Five, &[0x20, 2, 0, 1], Heard::Refused(1)),
        (Five, &[0x20, 3, 0, 0x87, 0], Heard::Refused(0x87)),
        (Five, &[0x40, 2, 0, 7], Heard::Confirmed(7)),
        (Five, &[0x40, 3, 0, 7, 0x10], Heard::Confirmed(7)),
        (Five, &[0x40, 4, 0, 7, 0x97, 0], Heard::TakesNone(0x97)),
        (Five, &[0xe0, 0], Heard::Leaves(0)),
        (Five, &[0xe0, 2, 0x8b, 0], Heard::Leaves(0x8b)),
        (
            Five,
            // 17 bytes of properties: at most 20 on their way, session of 300 s, packets of 65,536 bytes, 60 s.
            &[0x20, 19, 0, 0, 16, 0x21, 0, 20, 0x11, 0, 0, 1, 0x2c, 0x27, 0, 1, 0, 0, 0x13, 0, 60],
            Heard::Welcome(Terms { in_flight: Some(20), largest: Some(65_536), keep_alive_s: Some(60) }),
        ),
        (
            Five,
            // A name it gave, and a property of its own.
            &[0x20, 14, 0, 0, 11, 0x12, 0, 1, b'n', 0x26, 0, 1, b'k', 0, 1, b'v'],
            welcome(),
        ),
    ] {
        for cut in 0..bytes.len() {
            let mut some = BytesMut::from(&bytes[..cut]);
            assert_eq!(take(&mut some, version), Ok(None), "{cut} of {bytes:x?}");
        }
        let mut all = BytesMut::from(&[bytes, &[0xd0]].concat()[..]);
        assert_eq!(take(&mut all, version), Ok(Some(heard)), "{bytes:x?}");
        assert_eq!(&all[..], [0xd0], "what comes behind stays");
    }
}

#[test]
fn what_no_broker_says_to_a_publisher_is_refused() {
    use Version::{Five, Four};
    for (version, bytes) in [
        (Four, &[0x40, 3, 0, 7, 0][..]),
        (Four, &[0xe0, 0]),
        (Four, &[0x30, 3, 0, 1, b't']),
        (Four, &[0x40, 0xff, 0xff, 0xff, 0xff, 0x01]),
        // Larger than any confirmation.
        (Four, &[0x40, 0x80, 0x40]),
        // Properties that end early, say more than there is, or are unknown.
        (Five, &[0x20, 5, 0, 0, 2, 0x21, 0]),
        (Five, &[0x20, 4, 0, 0, 9, 0x21]),
        (Five, &[0x20, 4, 0, 0, 1, 0x7e]),
        (Five, b"HTTP/1.1 400 Bad Request\r\n"),
    ] {
        assert_eq!(take(&mut BytesMut::from(bytes), version), Err(NotMqtt), "{bytes:x?}");
    }
}

/// Read again by the client library's reader, which shares no code with this writer.
#[test]
fn a_message_is_read_by_others_as_it_was_meant() {
    for size in [0, 1, 90, 128, 4_500, 20_000] {
        let payload = vec![b'x'; size];
        let publish = |version| Publish {
            version,
            id: 0xfffe,
            topic: "pondreeve/a/call",
            retain: size == 1,
            payload: &payload,
        };
        let mut out = BytesMut::new();
        publish(Version::Four).put(&mut out);
        assert_eq!(out.len(), publish(Version::Four).size());
        let Ok(rumqttc::Packet::Publish(read)) = rumqttc::Packet::read(&mut out, 1 << 20) else { panic!() };
        assert_eq!((read.topic.as_str(), read.pkid, read.retain), ("pondreeve/a/call", 0xfffe, size == 1));
        assert_eq!((read.qos, read.dup, &read.payload[..]), (QoS::AtLeastOnce, false, &payload[..]));
        publish(Version::Five).put(&mut out);
        assert_eq!(out.len(), publish(Version::Five).size());
        let Ok(packets5::Packet::Publish(read)) = packets5::Packet::read(&mut out, None) else { panic!() };
        assert_eq!((&read.topic[..], read.pkid), (&b"pondreeve/a/call"[..], 0xfffe));
        assert_eq!((read.qos, &read.payload[..]), (QoS5::AtLeastOnce, &payload[..]));
    }
}
