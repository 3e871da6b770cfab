"""Integer programs by HiGHS, and the referee that tries everything."""
