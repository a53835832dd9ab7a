"""The sections of the terminal report, one file each; a section computes nothing that a budget can say."""
