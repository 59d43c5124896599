"""A drive or an image copied sector by sector, and proven: guards, reading, engine, journal, receipt, verification."""
