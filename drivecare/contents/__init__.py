"""What is on a drive: partitions, file systems, used space, and which file owns which area.

It reads through a function that it is handed, and opens nothing. What parses a file system runs in a process without
privileges (`hardware.parser_process`): only `readers` loads the libraries, and only that process loads `readers`.
"""
