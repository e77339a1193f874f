"""An emulated Raspberry Pi 3B whose pins are seen, and set, from outside.

QEMU's qtest socket tells every edge of every output pin and reads the pins' functions; writing the set and clear registers from
there sets the level of an input. A shell in the guest takes commands over the serial line. The time of an edge is the emulator's own,
taken where the guest writes the register and told in its log; a busy host that reads late does not move it. How late it read is kept.

Not shown by this emulation: voltages, pull resistors, edge interrupts, the pulses of hardware PWM, /dev/gpiomem and its rights, real timing.
"""
import gzip
import io
import json
import os
import queue
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections import deque

GPIO = 0x3F200000
SET0, CLR0, LEV0 = GPIO + 0x1C, GPIO + 0x28, GPIO + 0x34
INPUT, OUTPUT = 0, 1

INIT = r'''#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t devtmpfs dev /dev; mount -t proc proc /proc; mount -t sysfs sys /sys
mount -t tmpfs tmp /tmp; mount -t tmpfs run /run
exec </dev/ttyS1 >/dev/ttyS1 2>&1
stty -echo
for pass in 1 2 3 4 5 6; do for m in /lib/m/*.ko; do
    [ -e $m ] && insmod $m 2>/dev/null && rm $m
done; done
ip link set lo up
n=0; until [ -b /dev/mmcblk0 ] || [ $n = 50 ]; do sleep 0.1; n=$((n+1)); done
mount -t ext4 /dev/mmcblk0 /data || echo "@@NODISK"
echo "@@READY"
while read -r line; do eval "$line"; done
'''


class BoardError(Exception):
    """The emulation itself went wrong."""


def initramfs(guest, files):
    """A root file system of busybox, the guest's kernel modules and `files` (path to bytes, executable)."""
    out, number, folders = io.BytesIO(), [0], set()

    def add(name, data=b'', mode=0o100644, device=(0, 0)):
        number[0] += 1
        text = name.encode() + b'\0'
        fields = (number[0], mode, 0, 0, 1, 0, len(data), 0, 0, *device, len(text), 0)
        head = '070701' + ''.join('%08x' % field for field in fields)
        whole = head.encode() + text
        out.write(whole + b'\0' * (-len(whole) % 4) + data + b'\0' * (-len(data) % 4))

    def folder(path):
        parts = path.split('/')
        for i in range(1, len(parts) + 1):
            part = '/'.join(parts[:i])
            if part and part not in folders:
                folders.add(part)
                add(part, mode=0o040755)

    for name in 'bin sbin dev proc sys tmp run etc lib/m data'.split():
        folder(name)
    add('dev/console', mode=0o020600, device=(5, 1))
    with open(guest + '/busybox', 'rb') as f:
        add('bin/busybox', f.read(), 0o100755)
    for module in sorted(os.listdir(guest + '/mod')):
        with open(f'{guest}/mod/{module}', 'rb') as f:
            add('lib/m/' + module, f.read())
    add('etc/passwd', b'root:x:0:0:root:/:/bin/sh\n')
    add('etc/group', b'root:x:0:\n')
    add('init', INIT.encode(), 0o100755)
    for path, (data, executable) in files.items():
        folder(os.path.dirname(path.lstrip('/')))
        add(path.lstrip('/'), data, 0o100755 if executable else 0o100644)
    add('TRAILER!!!')
    return gzip.compress(out.getvalue(), 1)


class Board:
    """One board from power-on to the end of `with`."""

    def __init__(self, guest, files, disk, inputs=None):
        self.guest, self.files, self.disk = guest, files, disk
        self.inputs = dict(inputs or {})
        self.edges = deque(maxlen=200_000)    # (time, pin, up) of pins that are outputs
        self.functions, self.levels = [0] * 28, [0] * 28
        self.known = [None] * 28              # last level of each output, as told or as read
        self.changed_function = []            # (time, pin, function)
        self.log, self.lines = [], queue.Queue()
        self.follow = None                    # called with (pin, up) on every edge
        self.asked, self.lock, self.number = deque(), threading.Lock(), 0
        self.apart, self.read_late = float('inf'), 0.0    # emulator's clock to ours; longest time that an edge lay unread

    def __enter__(self):
        self.tmp = tempfile.mkdtemp(prefix='board.')
        with open(self.tmp + '/initrd', 'wb') as f:
            f.write(initramfs(self.guest, self.files))
        if not os.path.exists(self.disk):
            with open(self.disk, 'wb') as f:
                f.truncate(64 << 20)
            subprocess.run(['mkfs.ext4', '-q', '-F', self.disk], check=True)
        command = ['qemu-system-aarch64', '-M', 'raspi3b', '-kernel', self.guest + '/vmlinuz',
                   '-dtb', self.guest + '/board.dtb', '-initrd', self.tmp + '/initrd', '-append',
                   'console=ttyS1,115200 iomem=relaxed panic=1 quiet loglevel=1',
                   '-display', 'none', '-monitor', 'none', '-serial', 'null']
        for kind in ('serial', 'qmp', 'qtest'):
            command += ['-' + kind, f'unix:{self.tmp}/{kind},server=on,wait=off']
        # Without -qtest-log every word on that socket is told on stderr too, with its time.
        command += ['-drive', f'if=sd,format=raw,file={self.disk}']
        self.qemu = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, errors='replace')
        self.serial, self.qtest, qmp = self._dial('serial'), self._dial('qtest'), self._dial('qmp')
        self.qmp = qmp.makefile('rw')
        self.qmp.readline()
        self._qmp('qmp_capabilities')
        for work in (self._read_serial, self._drain_qtest, self._read_log):
            threading.Thread(target=work, daemon=True).start()
        self._ask('irq_intercept_out /machine/soc/peripherals/gpio')
        threading.Thread(target=self._poll, daemon=True).start()
        self.wait_up()
        return self

    def __exit__(self, *_):
        self.qemu.terminate()
        self.qemu.wait()
        self.qemu.stderr.close()
        shutil.rmtree(self.tmp, ignore_errors=True)

    # --- wires ---------------------------------------------------------------------------------------------------------
    def _dial(self, name):
        for _ in range(500):
            s = socket.socket(socket.AF_UNIX)
            try:
                s.connect(f'{self.tmp}/{name}')
                return s
            except OSError:
                s.close()
                if self.qemu.poll() is not None:
                    break
                time.sleep(.02)
        self.qemu.kill()
        raise BoardError('the emulator did not start: ' + self.qemu.stderr.read())

    def _qmp(self, name):
        self.qmp.write(json.dumps({'execute': name}) + '\n')
        self.qmp.flush()
        while True:
            answer = json.loads(self.qmp.readline())
            if 'return' in answer or 'error' in answer:
                return answer

    def _read_serial(self):   # must never pause: a full socket stalls the guest
        rest = b''
        while True:
            try:
                data = self.serial.recv(65536)
            except OSError:
                return
            if not data:
                return
            *lines, rest = (rest + data).split(b'\n')
            for line in lines:
                text = line.decode(errors='replace').rstrip('\r')
                self.log.append(text)
                self.lines.put(text)

    def _ask(self, command, tag=None):
        with self.lock:
            self.asked.append(tag)
            try:
                self.qtest.sendall((command + '\n').encode())
            except OSError:
                pass

    def _drain_qtest(self):   # a full socket would stall the guest; the log says the same, with times
        try:
            while self.qtest.recv(65536):
                pass
        except OSError:
            return

    def _on_our_clock(self, told):
        """A time of the emulator's log on this process's clock: the quickest line shows how the two stand to each other."""
        received = time.monotonic()
        self.apart = min(self.apart, received - told)
        self.read_late = max(self.read_late, received - told - self.apart)
        return told + self.apart

    def _read_log(self):      # answers and edges come in true order
        try:
            for line in self.qemu.stderr:
                if not line.startswith('[S +'):
                    continue
                told, *words = line[4:].replace(']', '', 1).split()
                now = self._on_our_clock(float(told))
                if words[0] == 'IRQ':
                    self._edge(now, int(words[2]), words[1] == 'raise')
                elif words[0] in ('OK', 'FAIL'):
                    tag = self.asked.popleft()
                    if tag is not None and len(words) > 1:
                        self._register(now, tag, int(words[1], 16))
        except (OSError, ValueError):
            return

    def _edge(self, now, pin, up):
        self.known[pin] = up
        self.edges.append((now, pin, up))
        if self.follow:
            self.follow(pin, up)

    def _register(self, now, tag, value):
        if tag == 'levels':
            for pin in range(28):
                self.levels[pin] = level = value >> pin & 1
                # The first edge of a pin that became an output while high is not told; it shows here.
                if self.functions[pin] == OUTPUT and self.known[pin] != bool(level):
                    if self.known[pin] is None:
                        self.known[pin] = bool(level)
                    else:
                        self._edge(now, pin, bool(level))
            return
        for i in range(10):
            pin, function = 10 * tag + i, value >> (3 * i) & 7
            if pin < 28 and function != self.functions[pin]:
                self.functions[pin] = function
                self.known[pin] = None
                self.changed_function.append((now, pin, function))

    def _poll(self):
        while self.qemu.poll() is None:
            for bank in range(3):
                self._ask(f'readl 0x{GPIO + 4 * bank:x}', bank)
            self._ask(f'readl 0x{LEV0:x}', 'levels')
            time.sleep(.01)

    def wait_up(self):
        self._expect('@@READY', 180)
        for pin, level in self.inputs.items():
            self.drive(pin, level)

    def _expect(self, mark, seconds):
        end, got = time.monotonic() + seconds, []
        while True:
            try:
                line = self.lines.get(timeout=max(.001, end - time.monotonic()))
            except queue.Empty:
                raise BoardError(f'no {mark} within {seconds} s; the last lines were: {self.log[-8:]}') from None
            if mark in line:
                return line, got
            if '@@NODISK' in line:
                raise BoardError('the SD card did not come up')
            got.append(line)

    # --- what tests use ------------------------------------------------------------------------------------------------
    def sh(self, command, seconds=60):
        """Runs a shell command in the guest. Gives its exit status and what it printed."""
        self.number += 1
        mark = f'@@DONE{self.number}='
        self.serial.sendall(f'{{ {command}; }} 2>&1; s=$?; echo; echo "{mark}$s"\n'.encode())
        line, got = self._expect(mark, seconds)
        return int(line.split('=')[-1]), '\n'.join(got).strip()

    def type(self, command):
        """Types a command without waiting for it."""
        self.serial.sendall((command + '\n').encode())

    def drive(self, pin, level):
        """Sets the level of a pin from outside."""
        self.inputs[pin] = level
        self._ask(f'writel 0x{SET0 if level else CLR0:x} 0x{1 << pin:x}')

    def meddle(self, pin, level):
        """What another program on the board can do: writes an output's level behind the daemon's back."""
        self._ask(f'writel 0x{SET0 if level else CLR0:x} 0x{1 << pin:x}')

    def power_cycle(self):
        """Power off and on. The SD card keeps what was synced."""
        at = time.monotonic()
        while not self.lines.empty():
            self.lines.get()
        self._qmp('system_reset')
        return at

    def is_driven(self, pin, level):
        return self.functions[pin] == OUTPUT and self.levels[pin] == level

    def wait_for(self, what, seconds):
        """Waits until `what()`; the time that took, or None."""
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            if what():
                return time.monotonic() - start
            time.sleep(.002)
        return None

    def wait_edge(self, pin, up, since, seconds):
        """Time of the first such edge since a moment; None when there is none."""
        end = time.monotonic() + seconds
        while True:
            for t, p, u in list(self.edges):
                if p == pin and u == up and t >= since:
                    return t
            if time.monotonic() > end:
                return None
            time.sleep(.002)

    def pulses(self, pin, on, since, until=None):
        """On-times of a pin since a moment: (start, length) of every whole pulse; `on` is its level while on."""
        start, found = None, []
        for t, p, up in list(self.edges):
            if p != pin or t < since or (until and t > until):
                continue
            if up == bool(on):
                start = t if start is None else start
            elif start is not None:
                found.append((start, t - start))
                start = None
        return found


def numbers(text, pattern):
    """All numbers that a pattern with one group finds."""
    return [float(found) for found in re.findall(pattern, text)]
