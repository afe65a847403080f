"""A gateway whose clock has no battery: it starts in 2001, or in a year that no one has seen yet."""

import datetime
import json
import time

from bench import BROKER, STORE
from machine import wait_for
from service import is_kept, kept_values


DATED = BROKER.replace('sends_every', 'time = "/t"\nsends_every').replace('"ph" }', '"ph", json = "/ph" }')


def farm_time(gateway):
    return datetime.datetime.fromisoformat(gateway.status()["at"].replace("Z", "+00:00"))


def run(gateway, table, _):
    machine = gateway.boot()
    gateway.configure(BROKER)
    machine.run("systemctl restart pondreeve", patience_s=120)
    gateway.read(gateway.cabinet)
    before = farm_time(gateway)
    machine.off()

    machine = gateway.boot(rtc="2001-01-01T00:00:00")
    gateway.active()
    told = machine.run("date -u +%FT%TZ; cat /sys/class/rtc/rtc0/date")
    system, battery = told.split("\n")
    print(f"  the battery's clock says {battery}, systemd made it {system}", flush=True)
    table.trial("clock in the past, store there", "watching, times go on, told as a fault",
                lambda: goes_on(gateway, before))
    table.trial("the store through it", "entries are there, new readings are kept", lambda: keeps(gateway))
    # A gateway that was never anywhere else.
    gateway.configure(BROKER, store="/var/lib/pondreeve/new-store")
    machine.run("systemctl restart pondreeve", patience_s=120)
    table.trial("clock in the past, first start", "watching, told that the clock was never set",
                lambda: never_set(gateway))
    table.trial("clock set later", "taken up, the fault goes, the months between are no silence", lambda: set_right(gateway))
    gateway.configure(BROKER, store=STORE)
    machine.run("systemctl restart pondreeve && rm -rf /var/lib/pondreeve/new-store", patience_s=120)
    before = farm_time(gateway)
    machine.off()

    machine = gateway.boot(rtc="2066-01-01T00:00:00")
    # Newer systemds do not believe such a clock either.
    machine.run("date -u -s '2066-01-01 00:05:00' && systemctl restart pondreeve", patience_s=120)
    gateway.active()
    table.trial("clock in 2066", "watching, times go on and do not follow, told as a fault",
                lambda: goes_on(gateway, before, "not believed"))
    table.trial("clock set then", "taken up, the fault goes", lambda: set_right(gateway))

    # A board without a battery clock, which goes on at its start where it was switched off three hours ago.
    machine.run("basename $(readlink -f /sys/class/rtc/rtc0/device) > /sys/class/rtc/rtc0/device/driver/unbind")
    gateway.configure(DATED, store="/var/lib/pondreeve/new-store")
    machine.run("systemctl stop pondreeve && date -u -s '3 hours ago' && systemctl start pondreeve", patience_s=120)
    gateway.read(gateway.cabinet)
    time.sleep(3)
    table.trial("three hours ago, no battery clock", "no fault: nothing says that it is wrong", lambda: nothing_said(gateway))
    machine.run("systemctl stop pondreeve && date -u -s '2 minutes ago' && systemctl start pondreeve", patience_s=120)
    table.trial("switched off and on", "times go on from the newest reading, told as a fault",
                lambda: says(gateway, "behind the newest reading; it has no battery"))
    table.trial("a node that knows the time", "taken, as suspect, and the gateway's clock told as a fault",
                lambda: hears(gateway))
    table.trial("clock set then", "taken up, the fault goes", lambda: set_right(gateway))
    machine.off()


def goes_on(gateway, before, said="has not been set"):
    now = farm_time(gateway)
    fault = wait_for("the clock's fault", lambda: gateway.faults("clock"))
    gateway.read(gateway.cabinet)
    is_near = before <= now < before + datetime.timedelta(hours=1)
    return f"{now:%F %T} after {before:%F %T}: {fault[0][:160]}", is_near and said in fault[0]


def says(gateway, what):
    fault = wait_for("the clock's fault", lambda: [text for text in gateway.faults("clock") if what in text])
    return fault[0][:160], True


def nothing_said(gateway):
    faults = gateway.faults("clock")
    return f"{farm_time(gateway):%F %T}: {faults or 'no fault'}", not faults


def hears(gateway):
    told = gateway.machine.run(
        "mosquitto_pub -u node -P node -q 1 -t farm/p1/ph -m '{\"ph\":8.1,\"t\":'$(date -d '+3 hours +2 minutes' +%s)'}' && sleep 2"
        " && pondreeve export --pond p1 --quantity ph", patience_s=60)
    fault, _ = says(gateway, "ahead of the gateway's clock")
    line = told.strip().split("\n")[-1]
    return f"{line}; {fault}", ",8.1" in line and ",3," in line


def keeps(gateway):
    gateway.read(gateway.cabinet)
    value = gateway.cabinet.answered[-1][1]
    time.sleep(4)
    there = round(value, 5) in kept_values(gateway)
    return f"entry {'kept' if is_kept(gateway) else 'LOST'}, reading {'kept' if there else 'LOST'}", \
        there and is_kept(gateway)


def never_set(gateway):
    gateway.read(gateway.cabinet)
    now = farm_time(gateway)
    try:
        fault = wait_for("the clock's fault", lambda: gateway.faults("clock"), 20)
    except TimeoutError:
        return f"nothing is told at {now:%F %T}", False
    return f"{now:%F %T}: {fault[0][:100]}", True


def set_right(gateway):
    now = datetime.datetime.now(datetime.timezone.utc)
    gateway.machine.run(f"date -u -s '{now:%F %T}'")
    wait_for("farm time to follow", lambda: abs((farm_time(gateway) - now).total_seconds()) < 120, 60)
    wait_for("the fault to go", lambda: not gateway.faults("clock"), 30)
    alarms = [json.loads(line)["id"] for line in gateway.machine.run("pondreeve alarms --json").splitlines()]
    silent = [one for one in alarms if "blind" in one or "probe-fault" in one or "silent" in one]
    return f"{farm_time(gateway):%F %T}, in alarm: {', '.join(alarms) or 'nothing'}", not silent
