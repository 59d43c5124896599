"""The job: its folder, the gate before the swap, the handover sheet."""
