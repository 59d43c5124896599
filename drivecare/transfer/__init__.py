"""Every byte across, provably: guards, copy engine, journal, receipt, verification; file copies."""
