"""A played I2C bus with one accelerometer on it: registers as the public datasheets have them."""

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
    "ADXL345": (0x32, "little", 256),
    "ADXL313": (0x32, "little", 1024),
    "LIS3DH": (0xA8, "little", 16384),
    "MPU-6050": (0x3B, "big", 16384),
}


class Pin:
    def __init__(self, number: int) -> None:
        self.number = number


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
        first, order, per_g = DATA[self.chip]
        assert (register, count) == (first, 6)
        up = 1 / (1 + self.tan_x**2 + self.tan_y**2) ** 0.5
        triple = (-self.tan_x * up, -self.tan_y * up, up)
        counts = [round((part + self._draw.gauss(0, self.noise_g)) * per_g) for part in triple]
        return b"".join(count.to_bytes(2, order, signed=True) for count in counts)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        assert address == WHO[self.chip][0]
        self.written.append((register, data[0]))
