"""A capture laid on its stem's time base: which channel, which clicks, which map; or a reason why not."""
