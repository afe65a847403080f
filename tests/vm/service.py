"""The package under a systemd that booted: installed, active, shut in, watched over, upgraded, removed."""

import datetime
import json
import re
import subprocess
import time

from bench import BROKER, CONFIG, DEPLOY, SECRET, STORE
from machine import accelerator, wait_for

# A second of a processor as fast as this one; what is emulated may take as many times as long as it is slower.
READY_WITHIN_S = 1.0
COUNT = "import time;b=time.process_time();s=0\nfor i in range(300000): s+=i*i\nprint(time.process_time()-b)"


def slowness(machine):
    """How many times slower than this machine the guest's processor is."""
    if accelerator() == "kvm":
        return 1.0
    here = min(counted(lambda: subprocess.run(["python3", "-"], input=COUNT, text=True, stdout=subprocess.PIPE,
                                              check=True).stdout) for _ in range(3))
    return max(1.0, min(counted(lambda: machine.run("python3 -", given=COUNT)) for _ in range(3)) / here)


def counted(does):
    return float(does())


def install(gateway, table):
    """As an installer does: dpkg, the farm filled in, a secret, a broker, the daemon enabled."""
    machine = gateway.boot()
    told = machine.run("dpkg -i /media/stick/pondreeve.deb")
    table.row("first installation", "says that nothing is watched, starts nothing",
              gateway.show("ActiveState", "UnitFileState"),
              "NOTHING IS WATCHED YET" in told and gateway.show("ActiveState")["ActiveState"] == "inactive")
    modes = machine.run("stat -c '%a %U:%G' /etc/pondreeve /etc/pondreeve/credentials.d /etc/pondreeve/farm.toml"
                        " /var/lib/pondreeve")
    table.row("owners and modes", "folders and farm.toml as the package says", modes.replace("\n", ", "),
              modes.split("\n") == ["750 root:pondreeve", "700 root:root", "640 root:pondreeve",
                                    "750 pondreeve:pondreeve"])
    groups = machine.run("id -nG pondreeve")
    table.row("user", "of its own, in dialout", groups, sorted(groups.split()) == ["dialout", "pondreeve"])

    with open(f"{DEPLOY}/mosquitto/pondreeve.conf", encoding="utf-8") as broker:
        machine.write("/etc/mosquitto/conf.d/pondreeve.conf", broker.read())
    with open(f"{DEPLOY}/mosquitto/pondreeve.acl", encoding="utf-8") as access:
        machine.write("/etc/mosquitto/pondreeve.acl", access.read() + "\nuser node\ntopic write farm/#\n")
    machine.run(f"cd /etc/mosquitto && mosquitto_passwd -b -c pondreeve.passwd pondreeve {SECRET} &&"
                " mosquitto_passwd -b pondreeve.passwd node node && chown mosquitto pondreeve.passwd pondreeve.acl &&"
                " chmod 600 pondreeve.passwd pondreeve.acl && systemctl enable --now mosquitto")
    machine.write("/etc/pondreeve/credentials.d/broker", SECRET + "\n", "600")
    gateway.configure(BROKER)
    machine.run(f"pondreeve check --config {CONFIG}")
    machine.run("adduser --quiet tech pondreeve")
    began = time.monotonic()
    machine.run("systemctl enable --now pondreeve", patience_s=120)
    table.row("enable --now", "comes back when it is ready", f"after {time.monotonic() - began:.1f} s",
              gateway.show("ActiveState")["ActiveState"] == "active")
    gateway.read(gateway.cabinet)
    machine.run("runuser -u tech -- pondreeve record --pond p1 note kept through everything")
    machine.off()


def run(gateway, table, _):
    machine = gateway.boot()
    gateway.active()
    starts(gateway, table)
    shut_in(gateway, table)
    people(gateway, table)
    resources(gateway, table)
    table.trial("kill -9", "started again after 5 s, watching", lambda: killed(gateway))
    table.trial("memory beyond MemoryMax", "killed and started again, not the machine", lambda: starved(gateway))
    table.trial("hang (SIGSTOP)", "killed within 90 s and 20 s, started again", lambda: hung(gateway))
    table.trial("orderly stop", "status 0 within 20 s; what was read last is kept", lambda: stopped(gateway))
    table.trial("wrong configuration", "ends with 2, is not started again", lambda: misconfigured(gateway))
    table.trial("same version again", "running daemon is replaced, store kept", lambda: reinstalled(gateway))
    table.trial("upgrade", "store copied and kept, farm.toml kept", lambda: upgraded(gateway))
    table.trial("version put back", "told how; store kept", lambda: put_back(gateway))
    machine.off()


def starts(gateway, table):
    machine = gateway.machine
    slow = slowness(machine)
    took, since_kernel = gateway.ready_s()
    # How many alarms stand is told once it has been looked at.
    shown = wait_for("the status", lambda: [own for own in [gateway.show("Type", "StatusText")]
                                            if ";" in own["StatusText"]], 60)[0]
    table.row("boot", "active by Type=notify, watching", f"{shown['Type']}, {shown['StatusText']}",
              shown["Type"] == "notify" and shown["StatusText"].startswith("Watching 1 pond"))
    table.row("ready", f"{READY_WITHIN_S:.0f} s after its start, times {slow:.1f} for a slower processor",
              f"{took:.2f} s; {since_kernel:.1f} s after the kernel", took <= READY_WITHIN_S * slow)
    log = gateway.log()
    table.row("system log", "its lines are there, readings are not", f"{len(log.splitlines())} lines",
              "watching" in log and "do_mg_l=" not in log)
    failed = machine.run("systemctl --failed --plain --no-legend; systemctl is-system-running || true")
    table.row("the system beside it", "running, no unit failed", failed, failed == "running")


def shut_in(gateway, table):
    machine, pid = gateway.machine, gateway.pid()
    told = machine.run("systemd-analyze security --no-pager pondreeve")
    exposure = float(re.search(r"exposure level for \S+: ([0-9.]+)", told)[1])
    table.row("systemd-analyze security", "1.5 or less", exposure, exposure <= 1.5)
    about = dict(line.split(":", 1) for line in machine.run(f"cat /proc/{pid}/status").splitlines())
    names = {name: about[name].split()[0] for name in ("Uid", "CapEff", "CapBnd", "NoNewPrivs", "Seccomp")}
    own = machine.run("id -u pondreeve")
    table.row("the process", "own user, no capability, seccomp, no new privileges", names,
              names == {"Uid": own, "CapEff": "0" * 16, "CapBnd": "0" * 16, "NoNewPrivs": "1", "Seccomp": "2"})
    # Inside its view of the machine, as root even; what only owners and modes keep, as its own user.
    inside = f"nsenter --target {pid} --mount --"
    as_itself = f"nsenter --target {pid} --mount --setuid {own} --setgid {own} --"
    cannot = {
        "write /usr": f"{inside} touch /usr/x", "write /etc": f"{inside} touch /etc/x",
        "write its configuration": f"{as_itself} touch /etc/pondreeve/x",
        "see homes": f"{inside} ls /home/tech", "write /var/lib": f"{inside} touch /var/lib/x",
        "write the kernel's settings": f"{inside} sh -c 'echo 1 > /proc/sys/kernel/sysrq'",
    }
    could = [name for name, command in cannot.items() if machine.ask(command)[0] == 0]
    can = machine.ask(f"{as_itself} touch /var/lib/pondreeve/x && rm /var/lib/pondreeve/x")[0] == 0
    table.row("its view of the machine", "writes below /var/lib/pondreeve alone, sees no home",
              f"{len(cannot) - len(could)} of {len(cannot)} refused{': could ' + ', '.join(could) if could else ''}",
              can and not could)
    ports = machine.run("ss -Hltnup")
    own = sorted(line.split()[4] for line in ports.splitlines() if "pondreeve" in line)
    table.row("ports", "what is configured: 127.0.0.1:9464", own, own == ["127.0.0.1:9464"])
    secret(gateway, table)


def secret(gateway, table):
    machine, pid = gateway.machine, gateway.pid()
    path = machine.run("find /run/credentials/pondreeve.service -type f")
    about = machine.run(f"stat -c '%a %U' {path}")
    refused = [who for who in ("tech", "visitor") if machine.ask(f"runuser -u {who} -- cat {path}")[0] != 0]
    logged_in = wait_for("the broker's log", lambda: machine.ask(
        "grep -hE \"connected from .*u'pondreeve'\" /var/log/mosquitto/mosquitto.log")[0] == 0)
    heard = wait_for("a reading by MQTT", lambda: machine.ask(
        "mosquitto_pub -u node -P node -q 1 -t farm/p1/ph -m 8.1 && sleep 1 && pondreeve status --json | grep -q '\"ph\"'"
    )[0] == 0)
    traces = machine.run(
        f"journalctl -o export | grep -c {SECRET}; cat /proc/{pid}/environ /proc/{pid}/cmdline | grep -c {SECRET};"
        f" grep -rl {SECRET} /var/lib/pondreeve /run/pondreeve | wc -l").split()
    table.row("credential", "the daemon's alone, serves the broker, is nowhere else",
              f"{about}; refused to {', '.join(refused)}; traces {'+'.join(traces)}",
              about in ("400 pondreeve", "440 root") and refused == ["tech", "visitor"] and logged_in and heard
              and traces == ["0", "0", "0"])


def people(gateway, table):
    machine = gateway.machine
    socket = machine.run("stat -c '%U:%G %a' /run/pondreeve /run/pondreeve/pondreeve.sock").split("\n")
    inside = machine.ask("runuser -u tech -- pondreeve status")
    outside = machine.ask("runuser -u visitor -- pondreeve status")
    table.row("local socket", "group pondreeve, 750 and 660; a technician is served, a visitor is not",
              f"{', '.join(socket)}; tech {inside[0]}, visitor {outside[0]}: {outside[1][:60]}",
              socket == ["pondreeve:pondreeve 750", "pondreeve:pondreeve 660"] and inside[0] == 0
              and "Heron" in inside[1] and outside[0] not in (0, None) and "Heron" not in outside[1])
    machine.run("runuser -u tech -- pondreeve record --pond p1 note by whom")
    trail = machine.run("pondreeve export --audit | tail -1")
    table.row("who did it", "the kernel says, not the client", trail[:70], '"tech"' in trail)


def resources(gateway, table):
    machine, pid = gateway.machine, gateway.pid()
    group = "/sys/fs/cgroup/system.slice/pondreeve.service"
    names = ["memory.max", "memory.high", "memory.swap.max", "pids.max", "cpu.max"]
    found = machine.run(f"cd {group} && cat {' '.join(names)}; cat /proc/{pid}/oom_score_adj").split("\n")
    table.row("limits in the kernel", "300M, 200M, no swap, 64 tasks, one core, given up last", ", ".join(found),
              found == [str(300 << 20), str(200 << 20), "0", "64", "100000 100000", "-900"])
    used = int(machine.run(f"cat {group}/memory.current")) / (1 << 20)
    table.row("memory in use", "far below the limit", f"{used:.0f} MiB with the file cache", used < 100)


def started_anew(gateway, before, patience_s):
    began = time.monotonic()
    wait_for("another process", lambda: gateway.pid() not in (0, before), patience_s, 0.2)
    gateway.active(patience_s)
    took = time.monotonic() - began
    gateway.read(gateway.cabinet)
    return took


def killed(gateway):
    before = gateway.pid()
    gateway.machine.run(f"kill -9 {before}")
    took = started_anew(gateway, before, 60)
    restarts = gateway.show("NRestarts")["NRestarts"]
    return f"active again {took:.1f} s after, {restarts} restart", 5 <= took < 25 and restarts == "1"


def starved(gateway):
    """Its own limit, brought down to what it cannot live with."""
    machine, before = gateway.machine, gateway.pid()
    boot = machine.run("cat /proc/sys/kernel/random/boot_id")
    machine.run("systemctl set-property --runtime pondreeve MemoryHigh=infinity MemoryMax=2M")
    # It lives on what it has until it needs more.
    for _ in range(20):
        machine.ask("timeout 5 pondreeve export >/dev/null")
        if gateway.show("NRestarts")["NRestarts"] != "1":
            break
    # The limit of the runtime goes; the unit's own is back.
    machine.run("rm -rf /run/systemd/system.control/pondreeve.service.d && systemctl daemon-reload &&"
                " systemctl set-property --runtime pondreeve MemoryMax=300M")
    took = started_anew(gateway, before, 90)
    ended = machine.run("journalctl -u pondreeve -b -o cat --no-pager | grep -c \"result 'oom-kill'\" || true")
    same = machine.run("cat /proc/sys/kernel/random/boot_id") == boot
    return f"{ended} times killed for it, active {took:.1f} s after more was allowed", int(ended) >= 1 and same


def hung(gateway):
    before = gateway.pid()
    # By the guest's own clock, which a busy host holds back.
    at = float(gateway.machine.run(f"kill -STOP {before}; cut -d' ' -f1 /proc/uptime"))
    started_anew(gateway, before, 240)
    took = int(gateway.show("InactiveExitTimestampMonotonic")["InactiveExitTimestampMonotonic"]) / 1e6 - at
    log = gateway.machine.run("journalctl -u pondreeve -b -o cat --no-pager | grep -i watchdog | tail -1")
    # 90 s after the last sign of life, which came up to 45 s before it was stopped; 20 s to end, 5 s until the start.
    return f"started again after {took:.0f} s: {log}", 45 <= took <= 90 + 20 + 5 + 3 and "atchdog" in log


def kept_values(gateway, by_hand=False):
    """All oxygen readings of the cabinet's probe, or of people, that the store has of two days."""
    now = datetime.datetime.now(datetime.timezone.utc)
    begin, end = now - datetime.timedelta(days=1), now + datetime.timedelta(days=1)
    told = gateway.machine.run(f"pondreeve export --pond p1 --quantity do_mg_l --from {begin:%FT%TZ} --to {end:%FT%TZ}",
                               patience_s=120)
    lines = [line.split(",") for line in told.splitlines()[1:]]
    probe = "" if by_hand else "cabinet-probe"
    return {round(float(own[4]), 5) for own in lines if own[3] == probe and own[4]}


def stopped(gateway):
    gateway.read(gateway.cabinet)
    began = time.monotonic()
    # Only what was answered before counts: the answer after the last may be on its way when the stop comes.
    last = gateway.cabinet.answered[-2][1]
    gateway.machine.run("systemctl stop pondreeve")
    took = time.monotonic() - began
    shown = gateway.show("ExecMainStatus", "Result", "ActiveState")
    log = gateway.log()
    gateway.machine.run("systemctl start pondreeve", patience_s=120)
    there = round(last, 5) in kept_values(gateway)
    return (f"{took:.1f} s, status {shown['ExecMainStatus']}, last reading {'kept' if there else 'LOST'}",
            took < 20 and shown == {"ExecMainStatus": "0", "Result": "success", "ActiveState": "inactive"} and there
            and "stopping" in log)


def misconfigured(gateway):
    machine = gateway.machine
    machine.run(f"cp -p {CONFIG} /root/farm.toml && sed -i 's/latitude = -3.4/latitude = 340/' {CONFIG}")
    machine.ask("systemctl restart pondreeve")
    time.sleep(12)
    shown = gateway.show("ExecMainStatus", "ActiveState", "NRestarts")
    told = "latitude" in gateway.log()
    machine.run(f"cp -p /root/farm.toml {CONFIG} && systemctl restart pondreeve", patience_s=120)
    return f"{shown}, the log names it: {told}", shown["ExecMainStatus"] == "2" and shown["ActiveState"] == "failed" \
        and told


def is_kept(gateway):
    return "kept through everything" in gateway.machine.run("pondreeve record --pond p1 list")


def replaced(gateway, command):
    """What dpkg said, how long nobody watched."""
    before = gateway.pid()
    told = gateway.machine.run(command, patience_s=180)
    gateway.active()
    shown = gateway.show("InactiveEnterTimestampMonotonic", "ActiveEnterTimestampMonotonic",
                         "ActiveExitTimestampMonotonic")
    away = (int(shown["ActiveEnterTimestampMonotonic"]) - int(shown["ActiveExitTimestampMonotonic"])) / 1e6
    gateway.read(gateway.cabinet)
    return told, away, gateway.pid() != before


def reinstalled(gateway):
    _, away, other = replaced(gateway, "dpkg -i /media/stick/pondreeve.deb")
    return f"not watching for {away:.1f} s", other and is_kept(gateway) and away < 25


def upgraded(gateway):
    machine = gateway.machine
    farm = machine.run(f"sha256sum {CONFIG}")
    told, away, other = replaced(gateway, f"dpkg -i {gateway.newer}")
    copied = machine.run("cat /var/lib/pondreeve/before-upgrade.version; stat -c '%U:%G %a' /var/lib/pondreeve/*;"
                         " pondreeve verify /var/lib/pondreeve/before-upgrade >/dev/null && echo whole")
    same = machine.run(f"sha256sum {CONFIG}") == farm
    version = machine.run("dpkg-query -W -f '${Version}' pondreeve")
    return (f"{version}, not watching for {away:.1f} s; copy: {copied.split()[0]}, {copied.split()[-1]}",
            other and is_kept(gateway) and same and copied.endswith("whole") and "was copied to" in told
            and version == "9.0.0-1")


def put_back(gateway):
    told, away, other = replaced(gateway, "dpkg -i --force-downgrade /media/stick/pondreeve.deb")
    return f"not watching for {away:.1f} s", other and is_kept(gateway) and "put back" in told


def end(gateway, table, _):
    """The last of it: removed and purged."""
    machine = gateway.boot()
    gateway.active()

    def removed():
        gateway.machine.run("dpkg -r pondreeve", patience_s=120)
        left = machine.run("ls -d /etc/pondreeve/farm.toml /var/lib/pondreeve/store; systemctl is-active pondreeve ||"
                           " true; pgrep -x pondreeve || echo none; find /etc/systemd -name 'pondreeve*' | wc -l")
        return left.replace("\n", ", "), left.split("\n")[2:] == ["inactive", "none", "0"]

    def purged():
        told = machine.run("DEBIAN_FRONTEND=noninteractive dpkg -P pondreeve")
        left = machine.run("ls -d /etc/pondreeve /var/lib/pondreeve 2>/dev/null || true")
        machine.run("dpkg -i /media/stick/pondreeve.deb")
        machine.run("PONDREEVE_PURGE_READINGS=yes dpkg -P pondreeve")
        after = machine.run("ls -d /etc/pondreeve /var/lib/pondreeve /run/pondreeve 2>/dev/null || echo nothing")
        return (f"left {left}; with yes: {after}",
                left == "/var/lib/pondreeve" and "are kept" in told and after == "nothing")

    table.trial("removal", "stopped, disabled; readings and configuration stay", removed)
    table.trial("purge", "configuration gone; readings only where somebody says so", purged)
    errors = json.dumps(machine.run("dmesg | grep -c 'EXT4-fs error' || true"))
    machine.off()
    table.row("file system at the end", "no error told by the kernel", errors, errors == '"0"')
