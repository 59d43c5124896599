"""One file per family of file systems, each over the library that reads it. Loaded in the parser's process alone."""
