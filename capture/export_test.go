package capture

// Kept is the number of samples in a listener's memory.
func (l *Listener) Kept() int { return cap(l.buf) }
