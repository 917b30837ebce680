"""The plant's controller as a process of its own: beats, echoes, goes remote once the gate is ready, does as told.

``python peer.py PORT [deaf]``: a deaf one never confirms a position.
"""

from __future__ import annotations

import sys
import time

from pymodbus.client import ModbusTcpClient

HEARTBEAT, ECHO, MODE, OPERATION, COMMANDED, CONFIRMED = 40, 42, 43, 44, 45, 46
LOCAL, REMOTE, AUTOMATIC, READY = 1, 2, 2, 2


def main(port: int, *, deaf: bool) -> None:
    """Serve until the gate computer is gone for two seconds."""
    with ModbusTcpClient("127.0.0.1", port=port, timeout=1, retries=0) as link:
        beat, done, last = 0, (-1, 0), time.monotonic() + 60  # the gate computer may still be starting
        while time.monotonic() - last < 2.0:
            time.sleep(0.02)
            try:
                if not link.connect():
                    continue
                words = link.read_holding_registers(0, count=19, device_id=1).registers
                beat = beat % 65535 + 1
                mode = REMOTE if words[7] == READY else LOCAL
                link.write_registers(HEARTBEAT, [beat], device_id=1)
                link.write_registers(ECHO, [words[6], mode, AUTOMATIC], device_id=1)
                last = time.monotonic()
                sequence = words[10] << 16 | words[11]
                if not deaf and (sequence, words[12]) != done:
                    link.write_registers(COMMANDED, [words[12], words[12]], device_id=1)
                    done = sequence, words[12]
            except Exception:  # the gate computer is gone, or not there yet
                link.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), deaf="deaf" in sys.argv[2:])
