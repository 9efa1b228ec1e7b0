"""A reference client of `kerfmark live`: sends a recorded motion as if a rig made it now, and goes on after losing the line.

    kerfmark live layered-block --port 8765 &
    python examples/live_client.py ws://127.0.0.1:8765 "round 1.0" motion.csv

Needs `websockets`. The motion is a CSV with the columns of `docs/motion.md`.
"""

from __future__ import annotations

import json
import struct
import sys
import time
from pathlib import Path

import numpy as np
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

COLUMNS = ["time_s", "x_mm", "y_mm", "z_mm", "qw", "qx", "qy", "qz", "spindle_rpm"]
AT_ONCE = 1  # samples a frame: 1 for the least delay of the force, more to send a backlog


def read_motion(path):
    table = np.genfromtxt(path, delimiter=",", names=True)
    spindle = table["spindle_rpm"] if "spindle_rpm" in table.dtype.names else np.full(len(table), 1.0)
    return np.column_stack([*(table[name] for name in COLUMNS[:-1]), spindle])


def send_all(address, hello, samples, session=None):
    """Send the samples the server does not have; what it says at the end. A lost line is taken up where it broke."""
    while True:
        try:
            with connect(address, compression=None) as line:
                line.send(json.dumps({"session": session} if session else hello))
                greeting = json.loads(line.recv())
                if "error" in greeting:
                    sys.exit(greeting["error"])
                session, taken = greeting["session"], greeting["taken"]
                while taken < len(samples):
                    some = samples[taken : taken + AT_ONCE]
                    line.send(struct.pack("<Q", taken) + some.astype("<f8").tobytes())
                    taken = received(line)
                line.send(json.dumps({"finish": True}))
                while True:
                    said = line.recv()
                    if isinstance(said, str) and "finished" in json.loads(said):
                        return json.loads(said)
        except (ConnectionClosed, OSError):
            time.sleep(0.5)


def received(line):
    """Wait for the answer to a frame: force goes to the device here; events are printed."""
    while True:
        said = line.recv()
        if isinstance(said, bytes):
            return struct.unpack_from("<Q", said)[0]  # then four float32 a sample: fx_n, fy_n, fz_n, depth_mm
        message = json.loads(said)
        if "error" in message:
            sys.exit(message["error"])
        print(message)


if __name__ == "__main__":
    print(send_all(sys.argv[1], {"instrument": sys.argv[2]}, read_motion(Path(sys.argv[3]))))
