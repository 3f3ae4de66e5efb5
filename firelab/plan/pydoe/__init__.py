"""pyDOE3 behind checks: what comes back is verified, then used, mended or refused."""
