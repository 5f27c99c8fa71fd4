"""A BACnet/IP device by another library than the program's, in a process of its own.

`python bacnet_device.py IP/BITS:PORT INSTANCE [--without-multiple] [--longest OCTETS]`; each line of its input is a
JSON mapping of objects to properties, `{"analog-input:1": {"presentValue": 12.5, "units": "partsPerMillion",
"statusFlags": [0, 0, 0, 0]}}`: the first line makes the objects, later ones change them. Each line is answered by
`done`. Every request served is a line of the standard error.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading

from bacpypes.app import BIPSimpleApplication
from bacpypes.basetypes import StatusFlags
from bacpypes.core import run, stop
from bacpypes.local.device import LocalDeviceObject
from bacpypes.object import get_object_class
from bacpypes.service.object import ReadWritePropertyMultipleServices


def camel(name: str) -> str:
    first, *others = name.split("-")
    return first + "".join(word.capitalize() for word in others)


class _Device(BIPSimpleApplication):
    def indication(self, apdu: object) -> None:
        print(type(apdu).__name__, file=sys.stderr, flush=True)
        super().indication(apdu)


class _WithMultiple(_Device, ReadWritePropertyMultipleServices):
    pass


def put(app: BIPSimpleApplication, changes: dict[str, dict[str, object]]) -> None:
    for name, properties in changes.items():
        kind, instance = name.split(":")
        key = camel(kind), int(instance)
        values = dict(properties)
        if "statusFlags" in values:
            values["statusFlags"] = StatusFlags(values["statusFlags"])
        known = app.get_object_id(key)
        if known is None:
            made = get_object_class(camel(kind))(objectIdentifier=key, objectName=name, **values)
            app.add_object(made)
            continue
        for one, value in values.items():
            setattr(known, one, value)


def listen(app: BIPSimpleApplication) -> None:
    for line in sys.stdin:  # whoever writes a line waits for its answer before asking over the wire
        put(app, json.loads(line))
        print("done", flush=True)
    stop()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("address")
    parser.add_argument("instance", type=int)
    parser.add_argument("--without-multiple", action="store_true")
    parser.add_argument("--longest", type=int, default=1024)
    asked = parser.parse_args()
    device = LocalDeviceObject(
        objectName=f"device {asked.instance}",
        objectIdentifier=asked.instance,
        maxApduLengthAccepted=asked.longest,
        segmentationSupported="noSegmentation",
        vendorIdentifier=999,
    )
    app = (_Device if asked.without_multiple else _WithMultiple)(device, asked.address)
    threading.Thread(target=listen, args=(app,), daemon=True).start()
    run(spin=0.002, sigterm=None, sigusr1=None)


if __name__ == "__main__":
    main()
