package broker

// LimitInflight sets how many messages may be under way to one client.
func (b *Broker) LimitInflight(n uint16) { b.server.Options.Capabilities.MaximumInflight = n }
