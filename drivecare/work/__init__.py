"""The use cases: each takes the machine and a request, and returns a document. They alone know devices and rules.

`Machine` is the bundle of devices that every use case takes and a test replaces; `cli` gets it from here.
"""

from drivecare.hardware.machine import Machine

__all__ = ["Machine"]
