"""Before the tape rolls: input matching, calibration, send levels, trials, sides, forecast. All of it runs on request only."""
