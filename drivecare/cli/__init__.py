"""One file per command: it parses, calls, prints. The only room that imports click, rich and tqdm."""
