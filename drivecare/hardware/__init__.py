"""The only room that touches the machine: block devices, sysfs, the SMART reader, clocks."""
