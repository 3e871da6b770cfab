"""The inclinometer on the post: links, wire formats, captures, the live instrument and a simulated one."""
