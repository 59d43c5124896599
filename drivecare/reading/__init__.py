"""What a drive said: its report decoded, with the raw text kept beside it. Pure: text in, values out."""
