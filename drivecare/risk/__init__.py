"""What a reading means: signals, rules (data with a source each), the chance of failure, the verdict. Pure."""
