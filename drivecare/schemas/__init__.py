"""JSON Schemas of every document, made from the types by `python -m drivecare.schemas`; a test keeps them true."""
