"""USB serial adapters, plugged and pulled under the real kernel and the real udev, with the rules that the package
brings."""

import time

from bench import ADAPTER, BROKER, SOCKETS
from machine import wait_for

OWN_RULES = "/etc/udev/rules.d/70-pondreeve-serial.rules"
SHIPPED_RULES = "/usr/lib/udev/rules.d/70-pondreeve-serial.rules"


def run(gateway, table, asked):
    # No adapter is there at the start: its driver is not even loaded.
    machine = gateway.boot()
    gateway.configure(BROKER, *(ADAPTER.format(name=name, address=gateway.adapters[line].address)
                                for line, (_, name) in SOCKETS.items()))
    machine.run("systemctl restart pondreeve", patience_s=120)
    table.trial("adapters missing at the start", "the watch goes on with the others, and says so",
                lambda: missing(gateway))
    plug(gateway, 1)
    table.trial("names by the rules", "as the rules' own header says to find and try them", lambda: named(gateway))
    table.trial("first plugged after the start", "read by itself", lambda: read_by_itself(gateway, 1))
    plug(gateway, 2)
    table.trial("a second one", "read by itself", lambda: read_by_itself(gateway, 2))
    table.trial(f"pulled and plugged, {asked.pulls} times", "told, read again by itself, by the same name",
                lambda: pulled(gateway, asked.pulls))
    table.trial("swapped numbers", "names follow the socket, each probe keeps its own", lambda: swapped(gateway))
    table.trial("names after an upgrade", "as the installer made them", lambda: upgraded(gateway))
    machine.off()
    gateway.boot(plugged=(2, 1))
    table.trial("adapters there at the start", "both read", lambda: both(gateway))
    gateway.machine.off()


def plug(gateway, line):
    gateway.machine.plug(line, SOCKETS[line][0])


def tty(gateway, name):
    """Which terminal stands behind a name at present."""
    status, told = gateway.machine.ask(f"readlink -e /dev/pondreeve/{name}")
    return told.strip() if status == 0 else None


def missing(gateway):
    gateway.read(gateway.cabinet)
    told = wait_for("the fault of the lines", lambda: len(gateway.faults("bus")) >= 2 and gateway.faults("bus"), 90)
    return told[0][:90], True


def named(gateway):
    """What the header of the rules tells the installer to do."""
    machine = gateway.machine
    device = wait_for("the adapter", lambda: machine.ask("ls /dev/ttyUSB*")[1].strip().split()[0]
                      if machine.ask("ls /dev/ttyUSB*")[0] == 0 else None, 30)
    path = machine.run(f"udevadm info --query=property --property=ID_PATH --value {device}")
    here, there = (SOCKETS[line] for line in (1, 2))
    # The socket is the last but one part: …-usb-0:1:1.0.
    other = path.replace(f"usb-0:{here[0]}:", f"usb-0:{there[0]}:")
    machine.run(
        f"sed -e 's|platform-usb-0:1.2:1.0|{path}|' {SHIPPED_RULES} > {OWN_RULES} && "
        f"sed -i '/{here[1]}\"/{{p;s|{path}|{other}|;s|{here[1]}|{there[1]}|}}' {OWN_RULES} && "
        "udevadm control --reload && udevadm trigger --subsystem-match=tty && udevadm settle")
    found = tty(gateway, here[1])
    about = machine.run(f"stat -c '%U:%G %a' {device}")
    return f"{here[1]} -> {found}, {about}", found == device and about == "root:dialout 660"


def read_by_itself(gateway, line):
    took = gateway.read(gateway.adapters[line], 60)
    return f"after {took:.1f} s", took < 45


def pulled(gateway, times):
    line, name = 1, SOCKETS[1][1]
    told_s, back_s = [], []
    for _ in range(times):
        began = time.monotonic()
        gateway.machine.pull(line)
        wait_for("its name to go", lambda: tty(gateway, name) is None, 30)
        wait_for("the fault to be told", lambda: gateway.faults("bus"), 60)
        told_s.append(time.monotonic() - began)
        plug(gateway, line)
        back_s.append(gateway.read(gateway.adapters[line], 60))
        wait_for("the fault to go", lambda: not gateway.faults("bus"), 60)
    return f"told after {max(told_s):.1f} s, read again after {max(back_s):.1f} s at most", True


def swapped(gateway):
    before = {line: tty(gateway, name) for line, (_, name) in SOCKETS.items()}
    for line in SOCKETS:
        gateway.machine.pull(line)
    wait_for("both to go", lambda: not any(tty(gateway, name) for _, name in SOCKETS.values()), 30)
    # The kernel gives a number anew once nobody holds the terminal that had it.
    wait_for("the daemon to let go", lambda: gateway.machine.ask(
        f"ls -l /proc/{gateway.pid()}/fd | grep -q ttyUSB")[0] == 1, 30)
    for line in reversed(SOCKETS):
        plug(gateway, line)
        wait_for("its name", lambda line=line: tty(gateway, SOCKETS[line][1]), 30)
    after = {line: tty(gateway, name) for line, (_, name) in SOCKETS.items()}
    _, kept = both(gateway)
    return f"{before} became {after}", kept and after == {1: before[2], 2: before[1]}


def upgraded(gateway):
    before = {name: tty(gateway, name) for _, name in SOCKETS.values()}
    gateway.machine.run(f"dpkg -i {gateway.newer} && udevadm trigger --subsystem-match=tty && udevadm settle",
                        patience_s=180)
    after = {name: tty(gateway, name) for _, name in SOCKETS.values()}
    _, kept = both(gateway)
    return str(after), after == before and all(after.values()) and kept


def both(gateway):
    """Each line's probe is read, and under its own name."""
    for line in gateway.adapters.values():
        gateway.read(line, 90)
    time.sleep(3)
    told = gateway.machine.run("pondreeve export --pond p1 --quantity do_mg_l | tail -60").splitlines()
    seen = {}
    for row in (line.split(",") for line in told):
        if row[3].endswith("line-probe"):
            seen[row[3]] = float(row[4])
    want = {f"{name}-probe": gateway.adapters[line].value for line, (_, name) in SOCKETS.items()}
    return str(seen), seen == want
