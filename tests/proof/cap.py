#!/usr/bin/env python3
"""Shows that no 24 h hold more of a line than its daily cap, for any cap, times and volumes of up to six doses.

Needs the package z3-solver. The rule is that of src/guard/cap.rs; src/guard/tests/orders.rs holds the real guard against the same
formulas. Ends with 1 when a claim does not hold, or when the rule that is wrong on purpose is not found out.
"""

import sys

from z3 import And, If, Real, Solver, Sum, sat, unsat

DOSES_MAX = 6


def dose(number):
    """When it began and ended, and what was wanted, booked at its end and really given."""
    names = ("began", "ended", "wanted", "booked", "given")
    return {name: Real(f"{name}_{number}") for name in names}


def world(doses):
    """What may happen: in the order in which they are asked for, each gives what is booked at most, within its begin and end."""
    sound = []
    for at, d in enumerate(doses):
        sound += [
            d["ended"] >= d["began"],
            d["given"] >= 0,
            d["given"] <= d["booked"],
            d["booked"] <= d["wanted"],
        ]
        if at:
            sound.append(d["began"] >= doses[at - 1]["began"])
    return And(sound)


def counts_from_its_end(earlier, now, day):
    """The rule: in full until it has ended, then as booked until 24 h after its end."""
    over = earlier["ended"] <= now
    left = earlier["ended"] + day <= now
    return If(And(over, left), 0, If(over, earlier["booked"], earlier["wanted"]))


def counts_from_its_begin(earlier, now, day):
    """A wrong rule: until 24 h after its begin."""
    over = earlier["ended"] <= now
    left = earlier["began"] + day <= now
    return If(left, 0, If(over, earlier["booked"], earlier["wanted"]))


def given_leave(doses, cap, day, counts):
    """Each dose was let through: with what counts beside it, it is within the cap."""
    lets = []
    for at, d in enumerate(doses):
        beside = [counts(earlier, d["began"], day) for earlier in doses[:at]]
        lets.append(Sum([d["wanted"]] + beside) <= cap)
    return And(lets)


def within(doses, since, day):
    """The most that can have come between `since` and 24 h later, however each dose came between its begin and its end."""
    touches = [And(d["began"] < since + day, d["ended"] > since) for d in doses]
    return Sum([If(touch, d["given"], 0) for touch, d in zip(touches, doses)])


def broken(count, counts):
    """A solver that looks for doses that were let through and are more than the cap."""
    doses = [dose(number) for number in range(1, count + 1)]
    cap, day, since = Real("cap"), Real("day"), Real("since")
    solver = Solver()
    solver.add(cap > 0, day > 0, world(doses), given_leave(doses, cap, day, counts))
    solver.add(within(doses, since, day) > cap)
    return solver, (cap, day, since, doses)


def main():
    failed = False
    for count in range(1, DOSES_MAX + 1):
        found = broken(count, counts_from_its_end)[0].check()
        print(f"{count} doses, counted until 24 h after their end: {'never over the cap' if found == unsat else found}")
        failed |= found != unsat
    solver, (cap, day, since, doses) = broken(2, counts_from_its_begin)
    # One that can be read.
    first, second = doses
    solver.add(day == 24, cap == 10, first["began"] == 0, first["ended"] == 2)
    for d in doses:
        solver.add(d["given"] == d["wanted"], d["given"] == 6, d["ended"] <= d["began"] + 2)
    found = solver.check()
    if found != sat:
        print(f"2 doses, counted until 24 h after their begin: {found}, and should be over the cap")
        return 1
    model = solver.model()
    at = {name: model.eval(value) for name, value in (("since", since), ("second", second["began"]))}
    print(
        "2 doses, counted until 24 h after their begin: over the cap of 10 mL, as it should be: 6 mL from 0 h to 2 h, "
        f"6 mL from {at['second']} h on, both in the 24 h from {at['since']} h on"
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
