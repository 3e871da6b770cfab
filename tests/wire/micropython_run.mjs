// Runs the firmware, unchanged, on a real MicroPython (its WebAssembly port) with a played bus.
// usage: node micropython_run.mjs PORT.mjs FIRMWARE.py SENTENCES
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [port, firmware, sentences] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(port));
const mp = await loadMicroPython({ stdout: (line) => console.log(line), linebuffer: true });

// An ADXL345, 256 counts a g, low byte first: x 3 or 2 counts by turns (mean 2.5625 of 16), y -2 counts.
mp.FS.writeFile("/stub_i2c.py", `
class Pin:
    def __init__(self, number):
        pass

class I2C:
    turn = 0
    def readfrom_mem(self, address, register, count):
        if address != 0x53:
            raise OSError(19)
        if register == 0:
            return b"\\xe5"
        I2C.turn += 1
        x = 3 if I2C.turn % 16 < 9 else 2
        y = -2
        out = b""
        for value in (x, y, 256):
            value &= 0xFFFF
            out += bytes((value & 255, value >> 8))
        return out
    def writeto_mem(self, address, register, data):
        pass
`);
mp.FS.writeFile("/firmware.py", readFileSync(firmware, "utf8"));
mp.runPython(`
import sys
sys.path.append("/")
import firmware, stub_i2c
firmware.run(stub_i2c.I2C(), "ADXL345", ${sentences})
`);
