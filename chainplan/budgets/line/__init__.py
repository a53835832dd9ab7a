"""The cable between two boards: level, delay, and how long an answer takes."""
