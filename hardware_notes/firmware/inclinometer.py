"""MicroPython: an I2C accelerometer on a post, spoken as NMEA 0183 XDR over the board's USB serial port.

Copy to the board as main.py. Set PINS and CHIP. Registers are from the chips' public datasheets.
Each sentence is the mean of READS raw readings; x leans PITCH, y leans ROLL, both positive where the top leans
towards the + end of the axis. The chip lies with z up along the post. At rest it feels 1 g: a mean that is not
between 0.9 and 1.1 g is said as a comment and not as a lean (a range or scale that is not the chip's own clips
z and doubles every lean).
"""

import math
import sys
import time

try:
    from machine import I2C, Pin
except ImportError:  # on a computer: a bus that is played
    from stub_i2c import I2C, Pin

PINS = {"scl": 5, "sda": 4}  # differ from board to board
SENTENCES_PER_S = 20
READS = 8
LEAST_G, MOST_G = 0.9, 1.1

# name: I2C address, who-am-I register and value, setup writes, first data register, low byte first, counts per g
# All are set to +-2 g; build-one.md has the register table with its sources.
CHIPS = {
    "ADXL345": (0x53, 0x00, 0xE5, ((0x31, 0x08), (0x2C, 0x0B), (0x2D, 0x08)), 0x32, True, 256.0),
    "ADXL313": (0x53, 0x00, 0xAD, ((0x31, 0x0A), (0x2C, 0x0B), (0x2D, 0x08)), 0x32, True, 1024.0),
    "LIS3DH": (0x18, 0x0F, 0x33, ((0x20, 0x67), (0x23, 0x88)), 0x28 | 0x80, True, 16000.0),
    "MPU-6050": (0x68, 0x75, 0x68, ((0x6B, 0x00), (0x1A, 0x04), (0x1C, 0x00)), 0x3B, False, 16384.0),
}
CHIP = "ADXL345"


def start(bus, chip):
    """Wake the chip; OSError with what is wrong when it is not there or is another one."""
    address, who_register, who, setup = CHIPS[chip][:4]
    found = bus.readfrom_mem(address, who_register, 1)[0]
    if found != who:
        raise OSError("%s expected, chip says 0x%02X" % (chip, found))
    for register, value in setup:
        bus.writeto_mem(address, register, bytes((value,)))


def read(bus, chip):
    """One reading in g: (x, y, z)."""
    address, _, _, _, first, low_first, per_g = CHIPS[chip]
    data = bus.readfrom_mem(address, first, 6)
    triple = []
    for at in (0, 2, 4):
        low, high = (data[at], data[at + 1]) if low_first else (data[at + 1], data[at])
        raw = high << 8 | low
        triple.append((raw - 65536 if raw & 0x8000 else raw) / per_g)
    return triple


def mean(bus, chip, reads):
    """Mean of some readings, spread over the time of one sentence."""
    sums = [0.0, 0.0, 0.0]
    for _ in range(reads):
        for axis, value in enumerate(read(bus, chip)):
            sums[axis] += value
        time.sleep_us(1000000 // (SENTENCES_PER_S * reads * 2))
    return [total / reads for total in sums]


def elevations(x, y, z):
    """Degrees of lean as elevations of the two level axes: what `kind = "elevation"` expects."""
    size = math.sqrt(x * x + y * y + z * z)
    if not LEAST_G <= size <= MOST_G:
        raise OSError("feels %.2f g: knocked, or range and scale are not the chip's" % size)
    return tuple(math.degrees(math.asin(max(-1.0, min(1.0, -part / size)))) for part in (x, y))


def sentence(pitch, roll):
    """XDR with its checksum. The board's console makes CRLF of the LF that print adds."""
    body = "IIXDR,A,%.3f,D,PITCH,A,%.3f,D,ROLL" % (pitch, roll)
    total = 0
    for letter in body:
        total ^= ord(letter)
    return "$%s*%02X" % (body, total)


def run(bus, chip, sentences=None):
    """Speak for ever, or so many sentences. What goes wrong is said as a comment, and tried again."""
    while sentences is None or sentences > 0:
        began = time.ticks_ms()
        try:
            start(bus, chip)
            while sentences is None or sentences > 0:
                began = time.ticks_ms()
                sys.stdout.write(sentence(*elevations(*mean(bus, chip, READS))) + "\n")
                if sentences is not None:
                    sentences -= 1
                left = 1000 // SENTENCES_PER_S - time.ticks_diff(time.ticks_ms(), began)
                time.sleep_ms(max(0, left))
        except OSError as error:
            sys.stdout.write("# %s\n" % error)
            if sentences is not None:
                sentences -= 1
            time.sleep_ms(500)


if __name__ == "__main__":
    run(I2C(0, scl=Pin(PINS["scl"]), sda=Pin(PINS["sda"])), CHIP)
