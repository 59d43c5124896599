"""The use cases: each takes what the machine is and returns a document. The only room that knows devices and rules."""
