"""Every single fault of the chain: who is blind, when it is known, how the controller reads on."""
