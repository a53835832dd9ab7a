"""The plan file: what the user wrote, validated, with its places in the file."""
