"""A folder's files copied into a bag (RFC 8493), and proven."""
