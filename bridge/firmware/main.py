"""Raw samples of one to six analog inputs over the serial port, for boards that run MicroPython.

Set what stands below for your board, then copy this file to it as main.py. A timer starts each scan of the
inputs; there is no filter on board. What goes over the line (numbered frames or text lines, a hello at
start and every second, the commands) is described in README.md beside this file.

Battery power only where electrodes touch a person; README.md says more.
"""

import sys
import time
from array import array

import machine

# ---- settings of the board ----

INPUTS = (26, 27, 28)  # the analog pins, as `machine.Pin` calls them: channel 1 first, six at most
BITS = 12  # 12 or 16: what the converter resolves
REFERENCE_MV = 3300  # full scale in millivolts, measured if you can
BAUD = 1000000  # of the UART; over USB it only says how much may be asked of the line
LINE = "usb"  # or a UART: machine.UART(1, BAUD), with its pins where the board needs them
TIMER = -1  # number of the timer; boards without timers of software count from 0

# ---- as in README.md ----

VERSION = 1
RATES_HZ = (125, 250, 500, 1000)
MOST_CHANNELS = 6
RUNNING, STARTED, UNKNOWN, LINE_TOO_SLOW = range(4)
SLOTS = 64  # samples that wait for the line; one slot always stays empty
LONGEST_COMMAND = 15


class Sampler:
    """Scans the inputs when the timer says so, and keeps the samples until they are sent.

    A sample is numbered by the clock at the moment it was taken: where the timer came late or not at all,
    numbers are missing, and what comes twice within one period is left out. `take` may run as an
    interrupt, so nothing in it makes a new object.
    """

    def __init__(self):
        self.converters = [_converter(pin) for pin in INPUTS]
        self.timer = machine.Timer(TIMER)
        self.values = array("H", [0] * (SLOTS * MOST_CHANNELS))
        self.numbers = array("H", [0] * SLOTS)
        self.channels = 1
        self.rate_hz = 250

    def start(self):
        """Begin numbering anew, with `channels` and `rate_hz` as they are now."""
        self.timer.deinit()
        self.head = self.tail = 0
        self.number = 0  # of the sample that is next, if the timer keeps its time
        self.period_us = 1000000 // self.rate_hz
        self.slot_us = None  # where on the clock the period of the last sample began
        self.since_hello = 0
        settings = {"freq": self.rate_hz, "mode": machine.Timer.PERIODIC, "callback": self.take}
        try:
            self.timer.init(hard=True, **settings)  # at once, where the board can: less jitter
        except (TypeError, ValueError):
            self.timer.init(**settings)

    def take(self, _timer):
        now_us = time.ticks_us()
        if self.slot_us is None:
            # Later ones may come a quarter of a period earlier and still fall into a period of their own.
            self.slot_us = time.ticks_add(now_us, -self.period_us // 4)
        else:
            periods = time.ticks_diff(now_us, self.slot_us) // self.period_us
            if periods == 0:
                return
            self.slot_us = time.ticks_add(self.slot_us, periods * self.period_us)
            self.number = (self.number + periods - 1) & 0xFFFF
        head = self.head
        at = head * MOST_CHANNELS
        for channel in range(self.channels):
            self.values[at + channel] = self.converters[channel].read_u16() >> (16 - BITS)
        self.numbers[head] = self.number
        self.number = (self.number + 1) & 0xFFFF
        self.since_hello += 1
        head = (head + 1) % SLOTS
        if head != self.tail:  # else the line is behind: this sample is lost and its number missing
            self.head = head


def _converter(pin):
    """The converter of a pin, over its full range where that is a setting."""
    if hasattr(machine.ADC, "ATTN_11DB"):
        return machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)
    return machine.ADC(machine.Pin(pin))


class UsbLine:
    """The serial port that the board shows over USB, called as a UART is."""

    def __init__(self):
        import select

        self.poller = select.poll()
        self.poller.register(sys.stdin, select.POLLIN)
        self.write = sys.stdout.buffer.write

    def read(self):
        """One byte, or None."""
        for _ in self.poller.ipoll(0):
            return sys.stdin.buffer.read(1)
        return None


# ---- frames: 0, COBS of (type, body, CRC-16 of both), 0 ----


def crc_table():
    table = array("H", [0] * 256)
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        table[byte] = crc
    return table


CRC = crc_table()


class Frame:
    """Room for a frame of one size: put the body in, `seal` it, and `bytes` is what goes over the line.

    The body lies where COBS wants it, so that sealing only replaces its zeros and makes no new object.
    """

    def __init__(self, size):
        self.bytes = bytearray(size + 5)  # delimiter, COBS code, body, CRC of two, delimiter
        self.at = 2

    def put8(self, value):
        self.bytes[self.at] = value
        self.at += 1

    def put16(self, value):
        self.bytes[self.at] = value & 0xFF
        self.bytes[self.at + 1] = value >> 8
        self.at += 2

    def seal(self):
        data = self.bytes
        crc = 0xFFFF
        for at in range(2, self.at):
            crc = (crc << 8 ^ CRC[crc >> 8 ^ data[at]]) & 0xFFFF
        self.put16(crc)
        code_at = 1
        for at in range(2, self.at):
            if data[at] == 0:
                data[code_at] = at - code_at
                code_at = at
        data[code_at] = self.at - code_at
        self.at = 2
        return data


class Board:
    """Sends what the sampler took and does what the commands say."""

    def __init__(self):
        self.line = UsbLine() if LINE == "usb" else LINE
        self.sampler = Sampler()
        self.hello = Frame(16)
        self.sample = Frame(5)
        self.text = False
        self.command = bytearray()
        self.sampler.start()
        self.say_hello(STARTED)

    def step(self):
        """One turn of the main loop; False when there was nothing to send."""
        sampler = self.sampler
        waiting = sampler.tail != sampler.head
        if waiting:
            self.send_sample(sampler.tail)
            sampler.tail = (sampler.tail + 1) % SLOTS
        if not self.text and sampler.since_hello >= sampler.rate_hz:
            self.say_hello(RUNNING)
        for byte in self.line.read() or b"":
            self.hear(byte)
        return waiting

    def send_sample(self, slot):
        at = slot * MOST_CHANNELS
        values = self.sampler.values
        if self.text:
            numbers = [str(values[at + channel]) for channel in range(self.sampler.channels)]
            self.line.write((",".join(numbers) + "\r\n").encode())
            return
        frame = self.sample
        frame.put8(83)  # S
        frame.put16(self.sampler.numbers[slot])
        for channel in range(self.sampler.channels):
            frame.put16(values[at + channel])
        self.line.write(frame.seal())

    def say_hello(self, status):
        self.sampler.since_hello = 0
        frame = self.hello
        for value in (72, 98, 105, 111, VERSION, status, self.sampler.channels, BITS):  # Hbio
            frame.put8(value)
        for value in (self.sampler.rate_hz, REFERENCE_MV, BAUD // 100, self.sampler.number):
            frame.put16(value)
        self.line.write(frame.seal())

    def hear(self, byte):
        if byte not in b"\r\n":
            if len(self.command) <= LONGEST_COMMAND:
                self.command.append(byte)
            return
        command, self.command = bytes(self.command), bytearray()
        if 0 < len(command) <= LONGEST_COMMAND:
            self.say_hello(self.obey(command))

    def obey(self, command):
        """Do what a line of text says; gives the status to answer with."""
        rate_hz, channels, text = self.sampler.rate_hz, self.sampler.channels, self.text
        word, _, number = command.partition(b" ")
        if command in (b"text", b"frames"):
            text = command == b"text"
        elif word == b"rate" and number in [b"%d" % rate for rate in RATES_HZ]:
            rate_hz = int(number)
        elif word == b"channels" and number in [b"%d" % (count + 1) for count in range(len(INPUTS))]:
            channels = int(number)
        elif command != b"hello":
            return UNKNOWN
        # Ten bits a byte; a twentieth stays free for the hello and for clocks that differ.
        digits = 5 if BITS == 16 else 4
        size = (digits + 1) * channels + 1 if text else 2 * channels + 8
        if rate_hz * size * 10 > BAUD // 20 * 19:
            return LINE_TOO_SLOW
        if (rate_hz, channels, text) == (self.sampler.rate_hz, self.sampler.channels, self.text):
            return RUNNING
        self.text = text
        self.sampler.rate_hz, self.sampler.channels = rate_hz, channels
        self.sample = Frame(3 + 2 * channels)
        self.sampler.start()
        return STARTED


def main():
    board = Board()
    while True:
        if not board.step():
            machine.idle()


if __name__ == "__main__":
    main()
