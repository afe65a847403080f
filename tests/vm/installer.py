"""What the two READMEs tell an installer to type, typed as they stand: the package by apt, then all of it by hand."""

import os

from bench import CONFIG, DEPLOY, STICK_TREE
from machine import wait_for

# A machine that has never had any of it.
UNTOUCHED = """
PONDREEVE_PURGE_READINGS=yes dpkg -P pondreeve 2>/dev/null
getent passwd pondreeve >/dev/null && deluser --quiet pondreeve
getent group pondreeve >/dev/null && delgroup --quiet pondreeve
rm -rf /etc/pondreeve /var/lib/pondreeve
! getent passwd pondreeve && ! test -e /usr/bin/pondreeve
"""

# apt at a terminal, which answers what it is asked.
AT_A_TERMINAL = """
import os, pty, sys
waits = [("[Y/n]", "y"), ("Type yes", sys.argv[1])]
child, line = pty.fork()
if child == 0:
    os.execvp("apt", ["apt", *sys.argv[2:]])
told = seen = ""
while True:
    try:
        more = os.read(line, 4096).decode(errors="replace")
    except OSError:
        break
    told, seen = told + more, seen + more
    if waits and waits[0][0] in seen:
        os.write(line, (waits.pop(0)[1] + "\\n").encode())
        seen = ""
print(told)
sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""

LINE_CAPTURE = "/var/lib/pondreeve/line.txt"


def commands(readme, after):
    """The first block of commands below a line that begins so, without comments and sudo (root types them here)."""
    with open(readme, encoding="utf-8") as text:
        lines = iter(text.read().splitlines())
    next(line for line in lines if line.startswith(after))
    next(line for line in lines if line.startswith("```"))
    block = []
    for line in lines:
        if line.startswith("```"):
            return block
        block.append(line.split(" # ")[0].strip().removeprefix("sudo ").replace("TECHNICIAN", "tech"))


def run(gateway, table, _):
    gateway.boot()
    table.trial("README: the package", "as typed: watched, a technician is served", lambda: by_apt(gateway))
    table.trial("README: a line's capture", "written by the service, read by frames", lambda: captured(gateway))
    table.trial("README: upgrade, rollback", "by apt, as typed", lambda: upgraded_by_apt(gateway))
    table.trial("README: apt purge", "asks; what was answered counts", lambda: purged_by_apt(gateway))
    table.trial("deploy/README: by hand", "as typed: watched, a technician is served", lambda: by_hand(gateway))
    table.trial("deploy/README: copy, way back", "as typed: the store gone, its entries back", lambda: drill(gateway))
    table.trial("unit: another group", "served as the unit's words say, others not", lambda: other_group(gateway))
    gateway.machine.off()


def type_in(gateway, block, instead):
    """Each line from the folder that the READMEs mean. `instead` has what comes in the place of some, by how they
    begin."""
    for line in block:
        other = next((does for begin, does in instead.items() if line.startswith(begin)), None)
        if other:
            other(line)
        else:
            gateway.machine.run(f"cd {STICK_TREE} && {line}", patience_s=240)


def watched(gateway):
    gateway.active()
    gateway.read(gateway.cabinet)
    shown = wait_for("the status", lambda: [own for own in [gateway.show("StatusText", "UnitFileState")]
                                            if ";" in own["StatusText"]], 60)[0]
    served = gateway.machine.ask("runuser -u tech -- pondreeve status")
    kept = shown["UnitFileState"] == "enabled" and shown["StatusText"].startswith("Watching 1 pond") \
        and served[0] == 0 and "Heron" in served[1]
    return f"{shown['StatusText']}, {shown['UnitFileState']}, tech {served[0]}", kept


def by_apt(gateway):
    gateway.machine.run(UNTOUCHED, patience_s=120)
    block = commands(os.path.join(DEPLOY, "..", "README.md"), "## Installing it on a gateway")
    type_in(gateway, block, {
        # Built outside; no editor is in the guest.
        "bash deploy/debian/build.sh": lambda _: None,
        "nano": lambda _: gateway.configure(),
    })
    return watched(gateway)


def captured(gateway):
    machine = gateway.machine
    machine.run(f"sed -i '/^id = \"cabinet\"/a capture = \"{LINE_CAPTURE}\"' {CONFIG} && systemctl restart pondreeve",
                patience_s=120)
    gateway.read(gateway.cabinet)
    told = machine.run(f"pondreeve frames {LINE_CAPTURE} --profile optical-oxygen --address 11")
    return told.splitlines()[-1], "do_mg_l" in told


def upgraded_by_apt(gateway):
    machine = gateway.machine
    up = machine.run("cd /media/stick && apt install ./newer.deb", patience_s=240)
    gateway.active()
    newer = machine.run("dpkg-query -W -f '${Version}' pondreeve")
    down = machine.run(f"cd {STICK_TREE} && apt install --allow-downgrades ./target/debian/pondreeve_*.deb",
                       given="y\n", patience_s=240)
    seen, kept = watched(gateway)
    return f"{newer}, then {seen}", kept and newer == "9.0.0-1" and "was copied to" in up and "put back" in down


def purged_by_apt(gateway):
    machine = gateway.machine
    asked = machine.run("python3 - no purge pondreeve", given=AT_A_TERMINAL, patience_s=240)
    left = machine.run("ls -d /etc/pondreeve /var/lib/pondreeve/store 2>/dev/null || true")
    machine.run(f"dpkg -i {STICK_TREE}/target/debian/pondreeve_*.deb", patience_s=120)
    machine.run("python3 - yes purge pondreeve", given=AT_A_TERMINAL, patience_s=240)
    after = machine.run("ls -d /etc/pondreeve /var/lib/pondreeve 2>/dev/null || echo nothing")
    return f"no: left {left}; yes: left {after}", \
        "Type yes" in asked and left == "/var/lib/pondreeve/store" and after == "nothing"


def by_hand(gateway):
    machine = gateway.machine
    machine.run(UNTOUCHED, patience_s=120)

    def example(line):
        # What it prints must do as it is; then it is changed.
        machine.run(f"{line} && pondreeve check --config {CONFIG}")
        gateway.configure()

    block = commands(os.path.join(DEPLOY, "README.md"), "`bash deploy/debian/build.sh` makes a package")
    type_in(gateway, block, {"pondreeve check --example": example})
    return watched(gateway)


def drill(gateway):
    """A copy while it watches, the store gone, and the way back."""
    machine = gateway.machine
    machine.run("mkdir -p /media/other && mount -t tmpfs -o size=64M tmpfs /media/other")
    readme = os.path.join(DEPLOY, "README.md")
    copy, back = ([line.replace("/media/stick", "/media/other") for line in commands(readme, after)]
                  for after in ("## A copy on a stick", "With a new card"))
    machine.run("runuser -u tech -- pondreeve record --pond p1 note before-the-copy")
    type_in(gateway, copy, {})
    told = machine.run("pondreeve export --diary")
    machine.run("systemctl kill -s KILL pondreeve && rm -rf /var/lib/pondreeve/store")
    type_in(gateway, back, {})
    seen, kept = watched(gateway)
    after = machine.run("pondreeve export --diary")
    return f"{len(after.splitlines()) - 1} entries, {seen}", kept and told == after and "before-the-copy" in after


def other_group(gateway):
    machine = gateway.machine
    machine.run(f"groupadd shift && adduser --quiet visitor shift && sed -i 's/^group = .*/group = \"shift\"/' {CONFIG}")
    machine.write("/etc/systemd/system/pondreeve.service.d/group.conf",
                  "[Service]\nSupplementaryGroups=shift\nSystemCallFilter=@chown\nRuntimeDirectoryMode=0755\n")
    machine.run("systemctl daemon-reload && systemctl restart pondreeve", patience_s=120)
    served, refused = (machine.ask(f"runuser -u {who} -- pondreeve status") for who in ("visitor", "tech"))
    return f"in the group {served[0]}, outside {refused[0]}: {refused[1][:60]}", \
        served[0] == 0 and "Heron" in served[1] and refused[0] not in (0, None) and "Heron" not in refused[1]
