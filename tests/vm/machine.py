"""The virtual machine: started, asked, its adapters pulled and plugged, its power cut."""

import json
import os
import socket
import subprocess
import sys
import threading
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "faults"))
from shared import wait_for  # noqa: E402

PATIENCE_S = 60

PROCESSOR = {
    # Nested in another machine, what the processor says of its flaws cannot be passed on.
    "kvm": ["-accel", "kvm", "-cpu", "host,-arch-capabilities"],
    "tcg": ["-accel", "tcg,thread=multi,tb-size=512", "-cpu", "max"],
}


def accelerator():
    """The processor's own virtualisation, or all of it in software, ten to twenty times as slow. A /dev/kvm alone does
    not say: some (pvm) run only kernels that were built for them, and Debian's hangs there before its first word."""
    own = any(os.path.exists(f"/sys/module/kvm_{maker}") for maker in ("intel", "amd"))
    return os.environ.get("ACCEL") or ("kvm" if own and os.path.exists("/dev/kvm") else "tcg")


class Machine:
    """One start of the guest. `probes` are sockets of serial lines: the first is the machine's own second port."""

    def __init__(self, folder, guest, disk, stick=None, probes=(), rtc=None, memory_mb=512):
        self.folder, self.disk = folder, disk
        self.console = os.path.join(folder, "console.log")
        self.adapters = {}
        command = [
            # It does not outlive the campaign.
            "setpriv", "--pdeathsig", "KILL",
            "qemu-system-x86_64", "-name", "gateway", "-nodefaults", "-no-user-config", "-display", "none",
            *PROCESSOR[accelerator()], "-machine", "q35", "-smp", "2", "-m", str(memory_mb), "-no-reboot",
            # No network card of any kind.
            "-nic", "none",
            "-kernel", f"{guest}/vmlinuz", "-initrd", f"{guest}/initrd",
            # no_timer_check: on a busy host an emulated timer comes too late for what the kernel expects of a board's.
            "-append", "root=LABEL=gateway ro console=ttyS0 loglevel=5 panic=-1 net.ifnames=0 no_timer_check",
            "-chardev", f"file,id=console,path={self.console},append=on", "-serial", "chardev:console",
            "-qmp", f"unix:{folder}/qmp,server=on,wait=off",
            # Writes wait in the disk's cache until the guest flushes (disk.py).
            "-drive", f"driver=nbd,server.type=unix,server.path={disk.address},if=none,id=root,cache=writeback",
            "-device", "virtio-blk-pci,drive=root",
            "-device", "virtio-serial-pci",
            "-chardev", f"socket,id=campaign,path={folder}/agent,server=on,wait=off",
            "-device", "virtserialport,chardev=campaign,name=campaign",
            "-chardev", f"socket,id=control,path={folder}/control,server=on,wait=off",
            "-device", "virtserialport,chardev=control,name=control",
            "-device", "qemu-xhci,id=usb",
        ]
        if stick:
            command += ["-drive", f"file={stick},format=raw,if=none,id=stick,readonly=on",
                        "-device", "virtio-blk-pci,drive=stick,serial=stick"]
        if rtc:
            command += ["-rtc", f"base={rtc},clock=vm"]
        for place, path in enumerate(probes):
            command += ["-chardev", f"socket,id=line{place},path={path},reconnect=1"]
        if probes:
            command += ["-serial", "chardev:line0"]
        for name in ("qmp", "agent", "control"):
            if os.path.exists(f"{folder}/{name}"):
                os.unlink(f"{folder}/{name}")
        self.told = open(os.path.join(folder, "qemu.log"), "ab")
        self.began = time.monotonic()
        self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=self.told, stderr=self.told)
        self.qmp = self.connect("qmp")
        self.qmp_file = self.qmp.makefile("r")
        self.qmp_file.readline()
        self.asking = threading.Lock()
        self.monitor("qmp_capabilities")
        self.agent = self.connect("agent")
        # What a program in the guest says through /dev/virtio-ports/control (cuts.py).
        self.control = self.connect("control")
        self.replies, self.next_id, self.speaking = {}, 0, threading.Lock()
        self.hello = threading.Event()
        threading.Thread(target=self.listen, daemon=True).start()

    def connect(self, name):
        def attempt():
            if self.process.poll() is not None:
                raise RuntimeError(f"qemu ended with {self.process.returncode}: see {self.folder}/qemu.log")
            line = socket.socket(socket.AF_UNIX)
            try:
                line.connect(f"{self.folder}/{name}")
                return line
            except OSError:
                line.close()
                return None

        return wait_for(f"qemu's {name}", attempt)

    def monitor(self, execute, **arguments):
        with self.asking:
            ask = {"execute": execute, "arguments": arguments} if arguments else {"execute": execute}
            self.qmp.sendall((json.dumps(ask) + "\n").encode())
            while True:
                text = self.qmp_file.readline()
                if not text:
                    raise OSError("qemu's monitor is closed")
                reply = json.loads(text)
                if "error" in reply:
                    raise RuntimeError(f"{execute}: {reply['error']['desc']}")
                if "return" in reply:
                    return reply["return"]

    def listen(self):
        try:
            for text in self.agent.makefile("r"):
                reply = json.loads(text)
                if reply["id"] == 0:
                    self.agent_after_s = reply["up_s"]
                    self.hello.set()
                else:
                    self.replies[reply["id"]] = reply
        except (OSError, ValueError):
            # The power is gone in the middle of a word.
            pass

    def wait_until_up(self, patience_s=600):
        wait_for(f"the guest to come up ({self.console})",
                 lambda: self.hello.is_set() or self.process.poll() is not None, patience_s)
        if not self.hello.is_set():
            raise RuntimeError(f"the guest gave up its start: see {self.console}")
        return time.monotonic() - self.began

    def ask(self, run, given="", patience_s=PATIENCE_S):
        """Runs a line of shell as root in the guest: its status and what it said."""
        # Several threads ask at a time.
        with self.speaking:
            self.next_id += 1
            mine = self.next_id
            ask = {"id": mine, "run": run, "input": given, "patience_s": patience_s}
            self.agent.sendall((json.dumps(ask) + "\n").encode())
        reply = wait_for(f"the guest's answer to {run[:60]!r}", lambda: self.replies.pop(mine, None), patience_s + 20,
                         0.002)
        return reply["status"], reply["told"]

    def run(self, command, given="", patience_s=PATIENCE_S):
        """The same where nothing but success will do."""
        status, told = self.ask(command, given, patience_s)
        if status != 0:
            raise AssertionError(f"`{command}` ended with {status}: {told.strip()[-600:]}")
        return told.strip()

    def write(self, path, text, mode="644"):
        self.run(f"install -D -m {mode} /dev/stdin {path}", given=text)

    # -- adapters

    def plug(self, line, port):
        """Plugs a USB serial adapter whose other end is the line into a socket of the machine."""
        self.monitor("device_add", driver="usb-serial", id=f"adapter{line}", chardev=f"line{line}", bus="usb.0",
                     port=str(port))

    def pull(self, line):
        self.monitor("device_del", id=f"adapter{line}")

    # -- power

    def cut(self):
        """From one instruction to the next: nothing is told, nothing is flushed."""
        self.process.kill()
        self.process.wait()
        self.close()

    def off(self, patience_s=90):
        """An orderly end."""
        self.ask("systemctl --no-block poweroff")
        self.process.wait(patience_s)
        self.close()
        self.disk.off()

    def close(self):
        for line in (self.qmp, self.agent, self.control):
            line.close()
        self.told.close()
