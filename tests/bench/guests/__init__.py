"""What runs inside the machine: one file per boot. Its DRIVES are attached, its check_... functions run in order."""
