"""A played I2C bus with one accelerometer on it: what its registers are set to is what it does.

Range, scale and clipping follow what was written, as the data sheets have it: ADXL345 (0x31: bit 3 full
resolution, bits 1-0 range 2, 4, 8, 16 g), ADXL313 (0x31: the same bits, range 0.5, 1, 2, 4 g), LIS3DH (0x23:
bits 5-4 range 2, 4, 8, 16 g, bit 3 high resolution), MPU-6050 (0x1C: bits 4-3 range 2, 4, 8, 16 g). All from
memory of the data sheets. A chip that nobody woke says nothing but zeros.
"""

from __future__ import annotations

import os
import random

WHO = {
    "ADXL345": (0x53, 0x00, 0xE5),
    "ADXL313": (0x53, 0x00, 0xAD),
    "LIS3DH": (0x18, 0x0F, 0x33),
    "MPU-6050": (0x68, 0x75, 0x68),
}
DATA = {
    "ADXL345": (0x32, "little"),
    "ADXL313": (0x32, "little"),
    "LIS3DH": (0xA8, "little"),
    "MPU-6050": (0x3B, "big"),
}


class Pin:
    def __init__(self, number: int) -> None:
        self.number = number


def scale(chip: str, registers: dict[int, int]) -> tuple[float, float, int] | None:
    """(counts per g, range in g, counts that the last bit is worth) as the registers say; None = asleep."""
    if chip in ("ADXL345", "ADXL313"):
        if not registers.get(0x2D, 0) & 0x08:
            return None
        form = registers.get(0x31, 0)
        smallest_g, fine = (2.0, 256.0) if chip == "ADXL345" else (0.5, 1024.0)
        range_g = smallest_g * 2 ** (form & 0x03)
        # Without full resolution ten bits are spread over the range.
        return (fine if form & 0x08 else 512.0 / range_g), range_g, 1
    if chip == "LIS3DH":
        if not registers.get(0x20, 0x07) & 0xF0:
            return None
        form = registers.get(0x23, 0)
        step = (0.001, 0.002, 0.004, 0.012)[form >> 4 & 0x03]  # g of a 12-bit digit, left-justified
        return 16.0 / step, 2048 * step, 16 if form & 0x08 else 64
    if registers.get(0x6B, 0x40) & 0x40:
        return None
    range_g = 2.0 * 2 ** (registers.get(0x1C, 0) >> 3 & 0x03)
    return 32768.0 / range_g, range_g, 1


class I2C:
    """The chip, its lean (tangents) and its noise come from the environment, as a program's switches do."""

    def __init__(self, _bus: int = 0, **_pins: Pin) -> None:
        self.chip = os.environ.get("STUB_CHIP", "ADXL345")
        self.tan_x = float(os.environ.get("STUB_TAN_X", "0"))
        self.tan_y = float(os.environ.get("STUB_TAN_Y", "0"))
        self.noise_g = float(os.environ.get("STUB_NOISE_G", "0.002"))
        self.written: list[tuple[int, int]] = []
        self._draw = random.Random(1)

    def readfrom_mem(self, address: int, register: int, count: int) -> bytes:
        known, who_register, who = WHO[self.chip]
        if address != known:
            raise OSError(19, "no such device")
        if register == who_register:
            return bytes([who])
        first, order = DATA[self.chip]
        assert (register, count) == (first, 6)
        found = scale(self.chip, dict(self.written))
        if found is None:
            return bytes(6)
        per_g, range_g, digit = found
        up = 1 / (1 + self.tan_x**2 + self.tan_y**2) ** 0.5
        said = b""
        for part in (-self.tan_x * up, -self.tan_y * up, up):
            felt = max(-range_g, min(range_g, part + self._draw.gauss(0, self.noise_g)))
            counts = max(-32768, min(32767, round(felt * per_g / digit) * digit))
            said += counts.to_bytes(2, order, signed=True)
        return said

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        assert address == WHO[self.chip][0]
        self.written.append((register, data[0]))
