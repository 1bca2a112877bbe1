# Stands in for a board's `machine` inside the MicroPython interpreter: pins, converters, a timer, a serial
# line, and the clock that all of them go by. `outside` is the process around the interpreter (board.mjs).
from binascii import hexlify

import outside

WRAP = 1 << 30  # a board's clock in microseconds begins anew there (documentation of `time.ticks_us`)
BEGIN = WRAP - 1_500_000  # so that every test sees it happen
now_us = 0  # since the board was switched on, without end


class TimeIsUpError(Exception):
    """The time that was asked for has passed."""


class Pin:
    def __init__(self, name):
        self.name = name


class ADC:
    def __init__(self, pin):
        self.pin = pin.name

    def read_u16(self):
        return outside.converter(self.pin, now_us)


class Timer:
    PERIODIC = 1
    running = None

    def __init__(self, number):
        self.number = number

    def init(self, *, freq, mode, callback, hard=False):
        if hard and not outside.hard_timers:
            raise TypeError("extra keyword arguments given")
        assert mode == Timer.PERIODIC
        self.callback = callback
        self.period_us = 1_000_000 // freq
        self.due_us = now_us + self.period_us
        self.count = 0
        Timer.running = self

    def deinit(self):
        Timer.running = None

    def tick(self):
        """The next tick, as late as the test wants it (a negative number: not at all)."""
        global now_us
        late_us = outside.late(self.count)
        self.count += 1
        now_us = max(now_us, self.due_us + max(0, late_us))
        self.due_us += self.period_us
        if late_us >= 0:
            self.callback(self)


def pass_until(until_us):
    """Let time pass; ticks interrupt it."""
    global now_us
    while Timer.running is not None and Timer.running.due_us <= until_us:
        outside.wait(Timer.running.due_us)
        Timer.running.tick()
    now_us = max(now_us, until_us)


def idle():
    if now_us >= outside.end_us:
        raise TimeIsUpError
    pass_until(Timer.running.due_us)


class Line:
    """Eight bits with start and stop bit at `baud`; `write` takes as long as the line does."""

    def __init__(self, baud):
        self.baud = baud

    def read(self, _count=None):
        return outside.read(now_us).encode() or None

    def write(self, data):
        outside.write(hexlify(data).decode())  # bytes do not cross
        pass_until(max(now_us + len(data) * 10_000_000 // self.baud, outside.stalled_until(now_us)))
        return len(data)


class UART(Line):
    def __init__(self, number, baud):
        super().__init__(baud)


class Clock:
    """Stands in for the module `time`."""

    @staticmethod
    def ticks_us():
        return (BEGIN + now_us) % WRAP

    @staticmethod
    def ticks_add(ticks, delta):
        return (ticks + delta) % WRAP

    @staticmethod
    def ticks_diff(after, before):
        return (after - before + WRAP // 2) % WRAP - WRAP // 2


class Stream:
    """Stands in for `sys.stdin` and `sys.stdout` of a board whose serial port is on USB."""

    def __init__(self):
        self.buffer = Line(8_000_000)
        self.ready = b""
        self.buffer.read = self.read

    def read(self, count):
        data, self.ready = self.ready[:count], self.ready[count:]
        return data


class System:
    stdin = Stream()
    stdout = Stream()


class Poller:
    def register(self, stream, _events):
        self.stream = stream

    def ipoll(self, _timeout):
        self.stream.ready += outside.read(now_us).encode()
        return [self.stream] if self.stream.ready else []


class Select:
    """Stands in for the module `select`."""

    POLLIN = 1
    poll = Poller
