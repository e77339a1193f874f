"""What the drivers promise, seen from outside of an emulated board: the real daemon, armed and live.

Each check has a number with a limit; the table at the end is the result. Run by tests/board/run.
"""
import json
import os
import re
import sys
import tempfile
import time

from board import INPUT, Board, BoardError

GUEST, BINARY, SUPERVISOR, CONFIG = sys.argv[1:5]
NORTH, SOUTH, CUT_OFF, HEARTBEAT, ALARM, SENSE, FLOAT = 17, 6, 24, 26, 27, 16, 5
STEP, DIRECTION, ENABLE = 22, 23, 4
# Pin and level while it runs; the pulses of the PWM head cannot be seen, the cut-off that goes on for it can.
HEADS = {'north': (NORTH, True), 'south': (SOUTH, False), 'west': (ENABLE, False), 'east': (CUT_OFF, True)}
SPEED, ACCELERATION = 1000, 4000                                                      # of west, as in its configuration
DW = 'dosewright --config /etc/dosewright --state /data/dosewright'
ROWS = []


def row(name, measured, limit, good):
    ROWS.append((name, measured, limit, good))
    print(f'  {"ok  " if good else "FAIL"} {name}: {measured} ({limit})', flush=True)


def read(path):
    with open(path, 'rb') as f:
        return f.read()


FILES = {
    '/bin/dosewright': (read(BINARY), True),
    '/bin/supervisor': (read(SUPERVISOR), True),
    '/etc/dosewright/controller.toml': (read(CONFIG + '/controller.toml'), False),
    '/etc/dosewright/plan.toml': (read(CONFIG + '/plan.toml'), False),
    '/usr/share/zoneinfo/UTC': (read('/usr/share/zoneinfo/UTC'), False),
}


class Rig:
    """A board with the daemon, and motors whose run-sense contact follows pin and cut-off, as a relay would."""

    def __init__(self, board):
        self.board, self.welded = board, False
        self.level = {NORTH: False, CUT_OFF: False}
        board.follow = self.follow

    def follow(self, pin, up):
        if pin in self.level:
            self.level[pin] = up
            runs = self.level[CUT_OFF] and (self.level[NORTH] or self.welded)
            self.board.drive(SENSE, int(runs))

    def start(self, how=f'( {DW} run >>/tmp/log 2>&1; echo "ended $?" >>/tmp/log ) &'):
        """Starts the daemon as the service manager does: outputs off first, then the daemon."""
        b = self.board
        b.sh(f'{DW} outputs-off')
        at = time.monotonic()
        b.type(how)
        for _ in range(100):
            if b.sh(f'{DW} status >/dev/null; echo up=$?')[1].endswith('up=0'):
                b.sh(f'{DW} clock trust')
                time.sleep(1)    # until the float counts as safe
                return at
            time.sleep(.1)
        raise BoardError('the daemon did not come up: ' + b.sh('tail -20 /tmp/log')[1])

    def status(self):
        """The status; waits while the daemon is starting anew."""
        for _ in range(100):
            code, text = self.board.sh(f'{DW} status --json')
            if code == 0:
                return json.loads(text)
            time.sleep(.2)
        raise BoardError('no status: ' + text)

    def becomes(self, mode):
        """Waits until the daemon is in this mode; the mode it is in at the end."""
        for _ in range(60):
            now = self.status()['mode']
            if now == mode:
                break
            time.sleep(.25)
        return now

    def pid(self):
        return self.board.sh('pidof dosewright')[1].split()[0]

    def dose(self, line, volume):
        """Starts a dose and waits for its on-edge. Gives that time, None when it was refused."""
        for _ in range(3):
            at = time.monotonic()
            code, text = self.board.sh(f'{DW} dose {line} "{volume}" --yes --repeat "{volume}"')
            if 'the same dose' not in text:
                break
            time.sleep(10)
        pin, on = HEADS[line]
        if code:
            print('    ' + text)
            return None
        return self.board.wait_edge(pin, on, at, 10)

    def doses(self):
        return json.loads(self.board.sh(f'{DW} ledger list dose --newest 200 --json')[1])

    def arm(self):
        b = self.board
        sentence = 'I have read the cautions and accept that pumps will run'
        code, text = b.sh(f'echo "{sentence}" | {DW} arm')
        if code == 0:
            self.becomes('live')
        b.sh(f'{DW} clock trust')
        return code, text

    def prepare(self):
        for head in HEADS:
            runs = ' '.join(f'--run {t}s={v}mL' for t, v in
                            ((1, .5), (1, .502), (1, .498), (12, 6.0), (12, 6.004), (12, 5.996)))
            code, text = self.board.sh(f'{DW} calibrate {head} {runs}')
            assert code == 0, text
            code, text = self.board.sh(f'{DW} refill {head} full')
            assert code == 0, text
        self.board.sh(f'{DW} clock trust')

    def set_clock(self, hour):
        self.board.sh(f'date -s "2026-03-01 {hour}:00:00"')


def on_edges(board, since):
    """Edges that switch a head or the cut-off on."""
    return [(t, p) for t, p, up in list(board.edges)
            if t >= since and ((p in (NORTH, CUT_OFF, STEP) and up) or (p in (SOUTH, ENABLE) and not up))]


def unarmed(rig):
    print('unarmed: stays dry')
    b = rig.board
    start = rig.start()
    view = rig.status()
    row('unarmed: says that it is not live', view['mode'] + ': ' + (view['daemon']['not_live_because'] or '')[:40], 'dry-run, with a reason',
        view['mode'] == 'dry-run' and 'armed' in (view['daemon']['not_live_because'] or ''))
    b.sh(f'{DW} dose north "2 mL" --yes --repeat "2 mL"')
    time.sleep(4.5)
    touched = [p for t, p, f in b.changed_function if t > start and p in (NORTH, CUT_OFF, HEARTBEAT, STEP, DIRECTION, ENABLE)]
    edges = on_edges(b, start)
    row('unarmed: a simulated dose drives no pin', f'{len(edges)} edges on', '0', not edges and not touched)
    code, text = b.sh(f'echo yes | {DW} arm')
    row('arming with another sentence', f'exit {code}', 'refused', code == 1)
    code, text = rig.arm()
    print('    ' + text.splitlines()[-1])
    row('arming with the sentence', f'exit {code}, {rig.status()["mode"]}', 'live', code == 0 and rig.status()['mode'] == 'live')
    code, text = b.sh(f'{DW} dose north "2 mL" --yes --repeat "2 mL"')
    row('armed: what a dry run assumed is not taken over', text[:60].replace('\n', ' '), 'dose refused', code == 1)
    edges = on_edges(b, start)
    row('glitches while pins become outputs', f'{len(edges)} edges on', '0', not edges)


def metering(rig):
    print('on-times against the ledger')
    b, pairs, worst, worst_share = rig.board, [], 0.0, 0.0
    for line, volume in (('north', '0.5 mL'), ('south', '0.5 mL'), ('north', '1 mL'), ('south', '2 mL'), ('north', '3 mL')):
        at = time.monotonic()
        if rig.dose(line, volume) is None:
            row('a dose', f'{line} {volume} did not start', 'starts', False)
            return
        pin, on = (NORTH, 1) if line == 'north' else (SOUTH, 0)
        b.wait_for(lambda: b.pulses(pin, on, at), 12)
        time.sleep(.6)
        seen = b.pulses(pin, on, at)[0][1]
        booked = rig.doses()[-1]['on_time_ms'] / 1000
        pairs.append((seen, booked))
        supply = b.pulses(CUT_OFF, 1, at)
        covered = len(supply) == 1 and supply[0][1] >= seen - .02
        worst = max(worst, abs(seen - booked))
        worst_share = max(worst_share, abs(seen - booked) / booked)
        print(f'    {line} {volume}: seen {seen * 1000:.1f} ms, ledger {booked * 1000:.0f} ms, cut-off on {supply[0][1] * 1000:.0f} ms')
        if not covered:
            row('the cut-off covers the dose', str(supply), 'one pulse, as long', False)
    good = all(abs(s - l) <= max(.02, .02 * l) for s, l in pairs)
    row(f'on-time, {len(pairs)} doses: largest difference to the ledger', f'{worst * 1000:.1f} ms ({worst_share * 100:.2f} %)',
        '2 % or 20 ms', good)


def steps_in(ms):
    """Steps of a run, from constant acceleration: written again here, not taken from the program."""
    if ms * ACCELERATION >= 2000 * SPEED:
        return SPEED * (ms * ACCELERATION - 1000 * SPEED) // (1000 * ACCELERATION)
    return ACCELERATION * ms * ms // 4_000_000


def rises(board, pin, since):
    return sum(1 for t, p, up in list(board.edges) if p == pin and up and t >= since)


def steppers(rig, driver):
    print('steps, direction and enable')
    b = rig.board
    for volume, ms in (('0.5 mL', 1000), ('1 mL', 2000), ('3 mL', 6000)):
        for again in range(4):
            at = time.monotonic()
            if rig.dose('west', volume) is None:
                row(f'{driver}: steps of {volume}', 'did not start', 'starts', False)
                return
            b.wait_for(lambda: b.pulses(ENABLE, 0, at), 20)
            time.sleep(.7)
            dose, sent, wanted = rig.doses()[-1], rises(b, STEP, at), steps_in(ms)
            # A host that gives the emulator too little of its processors: the program says so itself, ends the run and books what it sent.
            if again == 3 or dose['outcome'] != 'failed' or 'too busy' not in json.dumps(dose):
                break
            booked = dose['on_time_ms']
            row(f'{driver}: {volume}, this machine is too busy (load {os.getloadavg()[0]:.1f}): the run is given up and booked',
                f'{booked} ms for {sent} steps', 'by the steps seen, rounded up', steps_in(booked) >= sent > steps_in(booked - 1) and b.is_driven(ENABLE, 1))
            restart(rig)
            b.sh(f'{DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')
            time.sleep(20)
        turns = (len(b.pulses(ENABLE, 0, at)), len(b.pulses(DIRECTION, 1, at)), len(b.pulses(CUT_OFF, 1, at)))
        took = b.pulses(ENABLE, 0, at)[0][1]
        row(f'{driver}: {volume}, steps seen', f'{sent} in {took:.3f} s, {dose["outcome"]}, {dose["on_time_ms"]} ms booked', f'{wanted}, delivered, {ms} ms',
            sent == wanted and dose['outcome'] == 'delivered' and dose['on_time_ms'] == ms)
        row(f'{driver}: {volume}, enable, direction and cut-off', f'{turns[0]}, {turns[1]} and {turns[2]} times on', 'once each', turns == (1, 1, 1))
        pulses = b.pulses(STEP, 1, at)
        inside = b.pulses(ENABLE, 0, at)[0]
        good = pulses and inside[0] <= pulses[0][0] and sum(pulses[-1]) <= inside[0] + inside[1]
        row(f'{driver}: {volume}, steps only while the motor has current', 'yes' if good else 'no', 'yes', bool(good))
    at = time.monotonic()
    rig.dose('west', '6 mL')
    time.sleep(2)
    typed = time.monotonic()
    b.type(f'{DW} hold --reason test >/dev/null &')
    off = b.wait_edge(ENABLE, True, typed, 5)
    time.sleep(.7)
    dose, sent = rig.doses()[-1], rises(b, STEP, at)
    last = max(t for t, p, up in list(b.edges) if p == STEP and up)
    booked = dose['on_time_ms']
    row(f'{driver}: hold while stepping: last step, motor released', f'{(last - typed) * 1000:.0f} ms, {((off or 99) - typed) * 1000:.0f} ms', 'within 1000 ms',
        off is not None and off - typed < 1 and last - typed < 1)
    row(f'{driver}: hold while stepping: booked', f'{dose["outcome"]}, {booked} ms for {sent} steps', 'by the steps seen, rounded up',
        dose['outcome'] == 'interrupted' and steps_in(booked) >= sent > steps_in(booked - 1))
    b.sh(f'{DW} resume')
    idle = time.monotonic()
    time.sleep(1)
    still = rises(b, STEP, idle)
    row(f'{driver}: idle afterwards', f'{still} steps, enable {b.functions[ENABLE]}/{b.levels[ENABLE]}', 'none, driven off', still == 0 and b.is_driven(ENABLE, 1)
        and b.is_driven(STEP, 0))
    pid = rig.pid()
    rig.dose('west', '6 mL')
    time.sleep(.7)
    at = time.monotonic()
    b.type(f'kill -KILL {pid}; while kill -0 {pid} 2>/dev/null; do :; done; {DW} outputs-off')
    took = b.wait_for(lambda: not b.is_driven(ENABLE, 0) and not b.is_driven(STEP, 1), 5)
    time.sleep(1)
    later = rises(b, STEP, at + 1)
    row(f'{driver}: SIGKILL while stepping, then the stop hook', f'{(took or 9) * 1000:.0f} ms, {later} steps later', 'motor released within 1000 ms, none',
        took is not None and took < 1 and later == 0)
    b.sh('true')
    rig.start()
    dose = rig.doses()[-1]
    row(f'{driver}: SIGKILL while stepping: after the restart', f'{dose["outcome"]}, {dose["delivered_ul"]} uL', 'uncertain, in full',
        dose['outcome'] == 'uncertain' and dose['delivered_ul'] == 6000)
    b.sh(f'{DW} resume west')


def hangs(rig):
    """A small service manager in the guest gives the daemon a socket for its signs of life and 8 s."""
    print('hangs, with a service manager')
    b = rig.board

    def seen(mark):
        return sum(mark in line for line in b.log)

    def supervised():
        b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
        rig.start(f"supervisor 8 '{DW} outputs-off' {DW} run &")
        b.sh(f'{DW} resume north')

    supervised()
    before, on, pid = seen('@@WATCHDOG'), rig.dose('north', '8 mL'), rig.pid()
    time.sleep(.5)
    b.type(f'kill -STOP {pid}')
    fired = b.wait_for(lambda: seen('@@WATCHDOG') > before, 15)
    at = time.monotonic()
    took = b.wait_for(lambda: not b.is_driven(NORTH, 1), 5)
    row('hung process (SIGSTOP): off after the watchdog has fired', 'never' if took is None else f'{took * 1000:.0f} ms',
        'within 1000 ms, watchdog and stop hook', on is not None and fired is not None and took is not None and took < 1)
    b.wait_for(lambda: seen('@@HOOK') > before, 10)
    rig.start(f"supervisor 8 '{DW} outputs-off' {DW} run &")
    b.sh(f'{DW} resume north')
    # The event loop hangs in a line of its log that nobody reads; the threads go on.
    before, on = seen('@@WATCHDOG'), rig.dose('north', '8 mL')
    b.sh('touch /tmp/clog')
    b.sh(f'{DW} refill south full')
    time.sleep(.3)
    hung = time.monotonic()
    b.type(f'for n in 1 2 3; do {DW} refill south full >/dev/null 2>&1 & done')
    off = b.wait_edge(NORTH, False, hung, 12)
    row('hung event loop (its log is not read): off by the heart of the daemon', 'never' if off is None else f'{off - hung:.2f} s', 'within 8 s, before the watchdog',
        on is not None and off is not None and off - hung < 8 and seen('@@WATCHDOG') == before)
    fired = b.wait_for(lambda: seen('@@WATCHDOG') > before, 15)
    ended = b.wait_for(lambda: seen('@@HOOK') > before, 10)
    row('hung event loop: the watchdog ends the daemon', 'no' if fired is None or ended is None else 'yes, and the stop hook runs', 'yes', fired is not None and ended is not None)
    b.sh('rm /tmp/clog')
    rig.start()
    dose = rig.doses()[-1]
    row('hung event loop: after the restart', f'{dose["outcome"]}, {dose["delivered_ul"]} uL', 'uncertain, in full', dose['outcome'] == 'uncertain' and dose['delivered_ul'] == 8000)
    b.sh(f'{DW} resume north')


def heartbeat(rig):
    b = rig.board
    since = time.monotonic()
    time.sleep(5)
    times = [t for t, p, _ in list(b.edges) if p == HEARTBEAT and t > since]
    gaps = [y - x for x, y in zip(times, times[1:])]
    row('heartbeat: longest time without an edge', f'{max(gaps) * 1000:.0f} ms over {len(times)} edges', 'below 2000 ms', bool(gaps) and max(gaps) < 2)


def alarm(rig):
    print('the alarm output')
    b = rig.board

    def follows(name, act, up):
        at = time.monotonic()
        act()
        edge = b.wait_edge(ALARM, up, at, 12)
        took = 'never' if edge is None else f'{(edge - at) * 1000:.0f} ms'
        row(f'alarm output: {name}', f'{"on" if up else "off"} after {took}', 'within 1000 ms', edge is not None and edge - at < 1)

    b.sh(f'{DW} alarm acknowledge')
    row('alarm output at rest', str(b.levels[ALARM]), 'driven off', b.is_driven(ALARM, 0))
    follows('a test alarm', lambda: b.type(f'{DW} alarm test >/dev/null &'), True)
    follows('somebody has seen it', lambda: b.type(f'{DW} alarm acknowledge >/dev/null &'), False)
    follows('a test alarm again', lambda: b.type(f'{DW} alarm test >/dev/null &'), True)
    pid = rig.pid()
    follows('SIGKILL, then the stop hook', lambda: b.type(f'kill -KILL {pid}; while kill -0 {pid} 2>/dev/null; do :; done; {DW} outputs-off'), False)
    rig.start()


def stop_in_dose(rig, name, act, limit, line='north', expect='interrupted'):
    """Does something in the middle of a dose; the head must go off in time and be booked so."""
    b = rig.board
    on = rig.dose(line, '6 mL')
    if on is None:
        row(name, 'the dose did not start', 'starts', False)
        return
    pin, level = (NORTH, False) if line == 'north' else (SOUTH, True)
    time.sleep(.7)
    at = time.monotonic()
    at = act() or at
    off = b.wait_edge(pin, level, at, 12)
    took = None if off is None else off - at
    row(name, 'never' if took is None else f'{took * 1000:.0f} ms', f'off within {limit * 1000:.0f} ms', took is not None and took <= limit)
    time.sleep(.5)
    if expect:
        dose = rig.doses()[-1]
        seen = off - on if off else 0
        booked = (dose['on_time_ms'] or 0) / 1000
        row(f'{name}: booked', f'{dose["outcome"]}, {booked:.3f} s for {seen:.3f} s seen', f'{expect}, by time',
            dose['outcome'] == expect and abs(booked - seen) < .05 * max(1, seen))


def stops(rig):
    print('stopping in the middle of a dose')
    b = rig.board
    stop_in_dose(rig, 'hold (from typing it)', lambda: b.type(f'{DW} hold --reason test >/dev/null &'), 1.0)
    b.sh(f'{DW} resume')
    stop_in_dose(rig, 'hold, head that is on when low', lambda: b.type(f'{DW} hold --reason test >/dev/null &'), 1.0, 'south')
    b.sh(f'{DW} resume')
    stop_in_dose(rig, 'float unsafe (100 ms of debouncing)', lambda: b.drive(FLOAT, 1), .5)
    code, text = b.sh(f'{DW} dose north "1 mL" --yes --repeat "1 mL"')
    row('float unsafe: the next dose', text[:60].replace('\n', ' '), 'refused', code == 1)
    b.drive(FLOAT, 0)
    time.sleep(1.2)
    starts = rig.dose('north', '0.7 mL') is not None
    row('float safe again', 'dose starts' if starts else 'refused', 'dose starts', starts)
    time.sleep(2)


def meddling(rig):
    print('another program on the pins')
    b = rig.board
    at = time.monotonic()
    b.meddle(SOUTH, 0)
    off = b.wait_edge(SOUTH, True, at, 5)
    row('idle pin switched on from outside: off again', 'never' if off is None else f'{(off - at) * 1000:.0f} ms', 'within 300 ms',
        off is not None and off - at < .3)
    time.sleep(.5)
    held = rig.status()['holds']
    row('... and every line that hangs on the cut-off is held', f'{len(held)} holds', '4', len(held) == 4)
    restart(rig)
    b.sh(f'{DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')
    on = rig.dose('south', '6 mL')
    time.sleep(.5)
    b.meddle(SOUTH, 1)
    time.sleep(1)
    dose = rig.doses()[-1]
    row('running pin switched off from outside', f'{dose["outcome"]}, {dose["delivered_ul"]} uL booked', 'failed, in full',
        on is not None and dose['outcome'] == 'failed' and dose['delivered_ul'] == 6000)
    restart(rig)
    b.sh(f'{DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')


def restart(rig):
    b = rig.board
    b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
    rig.start()


def welded(rig):
    print('a welded relay')
    b = rig.board
    at = time.monotonic()
    rig.welded = True
    rig.dose('north', '0.5 mL')
    time.sleep(2.5)
    supply, dose = b.pulses(CUT_OFF, 1, at), rig.doses()[-1]
    pulse = b.pulses(NORTH, 1, at)[0]
    longer = supply[-1][0] + supply[-1][1] - pulse[0] - pulse[1]
    row('welded relay: cut-off opens after the head went off', f'{longer * 1000:.0f} ms, dose {dose["outcome"]}', 'within 500 ms, failed',
        longer < .5 and dose['outcome'] == 'failed')
    rig.welded = False
    b.drive(SENSE, 0)
    code, text = b.sh(f'{DW} dose south "0.5 mL" --yes --repeat "0.5 mL"')
    row('... and nothing runs after it', text[:60].replace('\n', ' '), 'refused', code == 1)
    restart(rig)
    b.sh(f'{DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')


def deaths(rig):
    print('deaths')
    b = rig.board
    pid = rig.pid()
    stop_in_dose(rig, 'SIGTERM', lambda: b.type(f'kill -TERM {pid}'), 1.0)
    time.sleep(1)
    off = b.is_driven(NORTH, 0) and b.is_driven(SOUTH, 1) and b.is_driven(CUT_OFF, 0)
    row('after SIGTERM: pins', f'north {b.functions[NORTH]}/{b.levels[NORTH]}', 'driven off, not floating', off)
    rig.start()
    # The service manager runs the stop hook as soon as the main process is gone, and so does this shell.
    def hook(pid):
        return f'while kill -0 {pid} 2>/dev/null; do :; done; {DW} outputs-off'

    for name, signal in (('SIGKILL', 'KILL'), ('SIGABRT (watchdog)', 'ABRT'), ('SIGKILL while stopped (hung process)', 'STOP')):
        pid = rig.pid()
        if signal == 'STOP':
            def act(pid=pid):
                b.type(f'kill -STOP {pid}')
                time.sleep(1)
                act.hung = time.monotonic()
                b.type(f'kill -KILL {pid}; {hook(pid)}')
                return act.hung
        else:
            def act(pid=pid, signal=signal):
                b.type(f'kill -{signal} {pid}; {hook(pid)}')
        stop_in_dose(rig, f'{name}, then the stop hook', act, 1.0, expect=None)
        time.sleep(1)
        b.sh('true')
        if signal == 'STOP':
            edges = [t for t, p, _ in list(b.edges) if p == HEARTBEAT and t < act.hung]
            row('hung process: last edge of the heartbeat', f'{(act.hung - edges[-1]) * 1000:.0f} ms before the kill', 'stops within 300 ms of the hang',
                act.hung - edges[-1] > .6)
        before = rig.doses()[-1]
        start = rig.start()
        after = rig.doses()[-1]
        row(f'{name}: after the restart', f'dose {after["number"]} {before["outcome"]} -> {after["outcome"]}, {after["delivered_ul"]} uL', 'uncertain, in full, not repeated',
            before['outcome'] == 'open' and after['outcome'] == 'uncertain' and after['delivered_ul'] == 6000
            and after['number'] == before['number'] and not on_edges(b, start))
        b.sh(f'{DW} resume north')


def outputs_off(rig):
    print('outputs-off with nothing to rely on')
    b = rig.board
    # A broken file, no ledger, and a daemon killed in a dose.
    on = rig.dose('north', '6 mL')
    time.sleep(.5)
    b.sh(f'kill -KILL {rig.pid()}; cp /etc/dosewright/controller.toml /tmp/good; '
         'sed -i "s/^volume-l = 300/volume-l = = 300/; s/GPIO6/pin 31/" /etc/dosewright/controller.toml; '
         'mv /data/dosewright /data/elsewhere')
    still = b.is_driven(NORTH, 1)
    code, text = b.sh(f'{DW} outputs-off')
    print('    ' + text.replace('\n', '\n    '))
    off = b.is_driven(NORTH, 0) or b.wait_for(lambda: b.is_driven(NORTH, 0), 1)
    row('broken file, no ledger: the pin goes off, the rest is named', f'exit {code}', 'off, exit 1',
        on is not None and still and bool(off) and code == 1 and 'was on' in text and 'not a pin' in text)
    b.sh('cp /tmp/good /etc/dosewright/controller.toml; mv /data/elsewhere /data/dosewright')
    code, _ = b.sh(f'{DW} outputs-off')
    row('good file: exit code', str(code), '0', code == 0)
    rig.start()
    b.sh(f'{DW} resume north')


def second_daemon(rig):
    b = rig.board
    b.sh('mkdir -p /tmp/other; cp -r /data/dosewright/ledger.db* /tmp/other/')
    code, text = b.sh('dosewright --config /etc/dosewright --state /tmp/other run')
    row('a second daemon on the same pins', f'exit {code}: {text.splitlines()[-1][-60:]}', 'refuses to start', code != 0 and 'another dosewright daemon' in text)


def power_cut(rig):
    print('power cut in the middle of a dose')
    b = rig.board
    on = rig.dose('north', '6 mL')
    time.sleep(1)
    at = b.power_cycle()
    took = b.wait_for(lambda: b.functions[NORTH] == INPUT, 5)
    row('power cut: pin released', 'never' if took is None else f'{took * 1000:.0f} ms', 'within 100 ms', on is not None and took is not None and took < .1)
    rig.level = {NORTH: False, CUT_OFF: False}
    b.inputs[SENSE] = 0
    b.wait_up()
    rig.set_clock(15)
    start = rig.start()
    time.sleep(3)
    dose = rig.doses()[-1]
    row('after boot', f'{dose["outcome"]}, {dose["delivered_ul"]} uL, {len(on_edges(b, start))} edges on', 'uncertain, in full, not repeated',
        dose['outcome'] == 'uncertain' and dose['delivered_ul'] == 6000 and not on_edges(b, at))
    row('after boot: still armed', rig.status()['mode'], 'live', rig.status()['mode'] == 'live')
    b.sh(f'{DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')


def disarming(rig):
    print('disarming')
    b = rig.board
    on = rig.dose('south', '6 mL')
    time.sleep(.5)
    at = time.monotonic()
    code, _ = b.sh(f'{DW} disarm')
    off = b.wait_edge(SOUTH, True, at, 5)
    mode = rig.becomes('dry-run')
    row('disarm in a dose', f'exit {code}, off after {((off or at + 99) - at) * 1000:.0f} ms, {mode}', 'off within 1000 ms, dry-run',
        on is not None and off is not None and off - at < 1 and mode == 'dry-run')
    rig.arm()
    b.sh('sed -i "s/daily-cap-ml = 500/daily-cap-ml = 499/" /etc/dosewright/controller.toml')
    restart(rig)
    view = rig.status()
    row('a limit was edited', f'{view["mode"]}: {(view["daemon"]["not_live_because"] or "")[:45]}', 'dry-run until armed again',
        view['mode'] == 'dry-run' and 'changed' in (view['daemon']['not_live_because'] or ''))
    rig.arm()
    b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done; rm -r /data/dosewright')
    rig.start()
    row('the ledger was lost', rig.status()['mode'], 'dry-run', rig.status()['mode'] == 'dry-run')


def chardev(rig):
    print('the driver chardev')
    b = rig.board
    label = 'pinctrl-bcm2835'
    b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
    b.sh('sed -i "s/^driver = .*/driver = \\"chardev\\"\\nchip-label = \\"no-such-chip\\"/" /etc/dosewright/controller.toml')
    rig.start()
    why = (rig.status()['daemon']['not_live_because'] or '')
    row('chardev: a label that no chip has', why[:60], 'not live, with the labels there are', '0 GPIO chips' in why and label in why)
    b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
    b.sh(f'sed -i "s/no-such-chip/{label}/" /etc/dosewright/controller.toml')
    since = time.monotonic()
    rig.start()
    rig.arm()
    row('chardev: armed', rig.status()['mode'] + ' ' + (rig.status()['daemon']['not_live_because'] or ''), 'live', rig.status()['mode'] == 'live')
    row('chardev: glitches at start', f'{len(on_edges(b, since))} edges on', '0', not on_edges(b, since))
    rig.prepare()
    time.sleep(1.5)
    metering(rig)
    steppers(rig, 'chardev')
    stop_in_dose(rig, 'chardev: hold', lambda: b.type(f'{DW} hold --reason test >/dev/null &'), 1.0)
    b.sh(f'{DW} resume')
    on, pid = rig.dose('north', '6 mL'), rig.pid()
    hook = f'while kill -0 {pid} 2>/dev/null; do :; done; {DW} outputs-off'
    time.sleep(.5)
    at = time.monotonic()
    b.type(f'kill -KILL {pid}; {hook}')
    took = b.wait_for(lambda: not b.is_driven(NORTH, 1), 5)
    row('chardev: SIGKILL, then the stop hook', f'{(took or 9) * 1000:.0f} ms', 'off within 1000 ms', on is not None and took is not None and took < 1)


def stepping(rig):
    steppers(rig, 'rppal')


def pwm(rig):
    print('hardware PWM: the files of the real kernel; pulses are not emulated')
    b, chip = rig.board, '/sys/class/pwm/pwmchip0'

    def channel():
        """enable, period and duty cycle; empty when the channel is not exported."""
        return b.sh(f'cd {chip}/pwm0 && cat enable period duty_cycle')[1].split()

    at = time.monotonic()
    row('pwm: idle', ' '.join(channel()), '0 ... 0', channel()[::2] == ['0', '0'])
    if rig.dose('east', '3 mL') is None:
        row('pwm: a dose', 'did not start', 'starts', False)
        return
    during = channel()
    row('pwm: enable, period and duty in a dose', ' '.join(during), '1 1000000 600000', during == ['1', '1000000', '600000'])
    b.wait_for(lambda: b.pulses(CUT_OFF, 1, at), 12)
    time.sleep(.6)
    after, dose, seen = channel(), rig.doses()[-1], b.pulses(CUT_OFF, 1, at)[0][1]
    row('pwm: after it', f'{" ".join(after)}, {dose["outcome"]}', '0 1000000 0, delivered', after == ['0', '1000000', '0'] and dose['outcome'] == 'delivered')
    # The cut-off opens after the channel, when the books are closed: it is the longer one, by little.
    longer = seen - dose['on_time_ms'] / 1000
    row('pwm: on-time booked inside what the cut-off shows', f'{dose["on_time_ms"]} ms in {seen * 1000:.1f} ms', '0 to 100 ms less', -.02 < longer < .1)
    rig.dose('east', '6 mL')
    time.sleep(.7)
    typed = time.monotonic()
    b.type(f'{DW} hold --reason test >/dev/null &')
    off = b.wait_edge(CUT_OFF, False, typed, 5)
    row('pwm: hold: channel and cut-off off', f'{((off or 99) - typed) * 1000:.0f} ms, {" ".join(channel())}', 'within 1000 ms, 0 ... 0',
        off is not None and off - typed < 1 and channel()[::2] == ['0', '0'])
    b.sh(f'{DW} resume')
    rig.dose('east', '6 mL')
    time.sleep(.5)
    pid = rig.pid()
    b.sh(f'kill -KILL {pid}; while kill -0 {pid} 2>/dev/null; do :; done')
    still = channel()
    code, text = b.sh(f'{DW} outputs-off')
    print('    ' + text.replace('\n', '\n    '))
    row('pwm: SIGKILL leaves it on', ' '.join(still), '1 ...', still[:1] == ['1'])
    row('pwm: outputs-off', f'exit {code}, {" ".join(channel())}', 'exit 0, 0 ... 0, found on', code == 0 and channel()[::2] == ['0', '0'] and re.search('channel 0 .*was on', text))
    rig.start()
    dose = rig.doses()[-1]
    row('pwm: after the restart', f'{dose["outcome"]}, {dose["delivered_ul"]} uL', 'uncertain, in full', dose['outcome'] == 'uncertain' and dose['delivered_ul'] == 6000)
    b.sh(f'{DW} resume east; kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
    row('pwm: after SIGTERM', 'given back' if not channel()[0].isdigit() else 'still exported', 'given back', not channel()[0].isdigit())
    # Another program leaves it pulsing, and no hook runs before the daemon.
    b.sh(f'cd {chip} && echo 0 > export && echo 1000000 > pwm0/period && echo 500000 > pwm0/duty_cycle && echo 1 > pwm0/enable')
    b.type(f'( {DW} run >>/tmp/log 2>&1; echo "ended $?" >>/tmp/log ) &')
    for _ in range(100):
        if b.sh(f'{DW} status >/dev/null; echo up=$?')[1].endswith('up=0'):
            break
    holds = [hold for hold in rig.status()['holds'] if 'found on' in json.dumps(hold)]
    row('pwm: found pulsing at the start', f'{" ".join(channel())}, {len(holds)} holds', '0 ... 0, all 4 lines held', channel()[::2] == ['0', '0'] and len(holds) == 4)
    restart(rig)
    b.sh(f'{DW} clock trust; {DW} resume north; {DW} resume south; {DW} resume west; {DW} resume east')
    b.sh('kill -TERM $(pidof dosewright); while pidof dosewright; do sleep 0.1; done')
    b.sh(f'echo 0 > {chip}/export')
    code, text = b.sh(f'{DW} run')
    row('pwm: exported by another program', f'exit {code}: {text.splitlines()[-1][-60:]}', 'refused, not written to', code != 0 and 'another program uses it' in text)
    b.sh(f'echo 0 > {chip}/unexport')
    code, text = b.sh('mkdir -p /tmp/c && cp /etc/dosewright/* /tmp/c/ && sed -i "s/^channel = 0/channel = 2/" /tmp/c/controller.toml && '
                      'dosewright --config /tmp/c --state /tmp/s check')
    row('pwm: a channel that the chip has not', f'exit {code}: {text.splitlines()[0][-50:]}', 'refused at load, with those it has', code != 0 and 'it has channels 0, 1' in text)
    rig.start()


def main():
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        with Board(GUEST, FILES, folder + '/sd.img', {FLOAT: 0, SENSE: 0, SOUTH: 1, ENABLE: 1}) as board:
            print(f'board up after {time.monotonic() - began:.1f} s')
            rig = Rig(board)
            rig.set_clock(12)
            try:
                unarmed(rig)
                rig.prepare()
                time.sleep(1.5)
                for check in (metering, stepping, pwm, heartbeat, alarm, stops, meddling, welded, deaths, hangs, outputs_off, second_daemon, power_cut, disarming, chardev):
                    check(rig)
            except Exception:
                print('--- the daemon\'s log')
                print(board.sh('tail -60 /tmp/log')[1])
                raise
            finally:
                table(began, board)
    sys.exit(0 if ROWS and all(good for *_, good in ROWS) else 1)


def table(began, board):
    wide = max((len(name) for name, *_ in ROWS), default=0)
    print(f'\n{"what":{wide}}  measured | wanted')
    for name, measured, limit, good in ROWS:
        print(f'{name:{wide}}  {measured} | {limit}{"" if good else "   <-- FAILED"}')
    failed = sum(not good for *_, good in ROWS)
    print(f'{len(ROWS)} checks, {failed} failed, {time.monotonic() - began:.0f} s; load of this machine {os.getloadavg()[0]:.1f} on '
          f'{os.cpu_count()} processors, an edge was read up to {board.read_late * 1000:.0f} ms after the emulator told it')


main()
