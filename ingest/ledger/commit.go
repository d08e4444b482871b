package ledger

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"

	"weirkeeper/rules/act"
	"weirkeeper/rules/alarm"
	"weirkeeper/rules/callout"
	"weirkeeper/rules/lot/book"
	"weirkeeper/rules/reading"
	"weirkeeper/rules/site"
)

// Batch is what is committed together.
type Batch struct {
	Readings    []reading.Reading
	Transitions []alarm.Transition
	ChoresDone  []site.ChoreDone
	// Messages join the outbox, due at their NotBefore.
	Messages []callout.Message
	// LotEntries join the record of the lots under the Seq and ID they have;
	// see LastLotSeq.
	LotEntries []book.Entry
	// Acts join the record of what people did, in this order.
	Acts []act.Act
	// Inbox is what people sent us.
	Inbox []InboxEntry
}

// Committed counts the readings of a batch.
type Committed struct {
	Stored int
	// Duplicates were there already: same probe, At and value.
	Duplicates int
}

const (
	// The reading committed last may have been dropped; see DropPeriod.
	selectLastSeq = `SELECT max(seq, coalesce((SELECT max(seq) FROM readings), 0)) FROM dropped`
	// Another program may have added it meanwhile.
	insertProbe = `INSERT INTO probes (name) VALUES (?) ON CONFLICT (name) DO UPDATE SET name = excluded.name RETURNING id`

	insertReading = `INSERT INTO readings (probe, at, value, seq, device_at, arrived_at, flags, mid)
VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (probe, at, value) DO NOTHING`
	insertTransition = `INSERT INTO transitions (key, kind, occurrence, from_state, to_state, at, since, priority,
rule, rule_at, unit, probe, trouble, detail, can_happen, to_do, by_whom, hidden, cause, left_words, via)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (key, occurrence, from_state, to_state, at) DO NOTHING`
	insertChore = `INSERT INTO chores_done (at, chore, unit, by_whom, via)
VALUES (?, ?, ?, ?, ?) ON CONFLICT (at, chore, unit, by_whom) DO NOTHING`
	insertMessage = `INSERT INTO outbox (id, reason, person, way, address, subject, body, short, code, unless, not_before,
alarms, created_at, expires_at, attempts, next_attempt_at)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`
)

// Commit stores a batch in one transaction. When it returns nil the batch is
// safe against a power cut; when it returns an error nothing of it is kept.
// (One exception: a disk that fails during the last sync leaves it open whether
// the batch comes back after a restart. Commit it again.)
//
// What is there already is left as it is: a reading with the same probe, At and
// value, a transition with the same key, occurrence, states and time, the same
// chore done, a message either way, a lot's entry or an act with the same ID. A
// reading with the same probe and time but another value is kept beside the first.
//
// Errors: ErrBusy, ErrFull, ErrCorrupt; ErrNumberTaken; a reading whose value is
// not finite; a lot's entry without ID, Seq or At; an act or a
// message that came in without ID or At.
func (l *Ledger) Commit(ctx context.Context, b Batch) (Committed, error) {
	if err := l.takeTurn(ctx, "commit"); err != nil {
		return Committed{}, err
	}
	defer l.endTurn()
	var done Committed
	added := make(map[reading.ProbeID]int64) // known for good only once committed
	err := l.transact(ctx, "commit", func(ctx context.Context) error {
		// Asked for each time: another program may have written.
		var last int64
		if err := l.stmts.lastSeq.QueryRowContext(ctx).Scan(&last); err != nil {
			return err
		}
		for _, r := range b.Readings {
			probe, err := l.probeNumber(ctx, r.Probe, added)
			if err != nil {
				return fmt.Errorf("probe %q: %w", r.Probe, err)
			}
			stored, err := l.storeReading(ctx, probe, last+1, r)
			if err != nil {
				return fmt.Errorf("reading of probe %q: %w", r.Probe, err)
			}
			if stored {
				last++
				done.Stored++
			} else {
				done.Duplicates++
			}
		}
		for _, t := range b.Transitions {
			if err := l.storeTransition(ctx, t); err != nil {
				return fmt.Errorf("transition of alarm %q: %w", t.Key, err)
			}
		}
		for _, c := range b.ChoresDone {
			if _, err := l.stmts.chore.ExecContext(ctx, micros(c.At), c.Chore, c.Unit, c.By, c.Via); err != nil {
				return fmt.Errorf("chore %q: %w", c.Chore, err)
			}
		}
		for _, m := range b.Messages {
			if err := l.storeMessage(ctx, m); err != nil {
				return fmt.Errorf("message %q: %w", m.ID, err)
			}
		}
		for _, e := range b.LotEntries {
			if err := l.storeLotEntry(ctx, e); err != nil {
				return fmt.Errorf("entry %d, %q, of lot %q: %w", e.Seq, e.ID, e.Lot, err)
			}
		}
		for _, a := range b.Acts {
			if err := l.storeAct(ctx, a); err != nil {
				return fmt.Errorf("act %q, %s: %w", a.ID, a.Kind, err)
			}
		}
		for _, e := range b.Inbox {
			if err := l.storeInbox(ctx, e); err != nil {
				return fmt.Errorf("message %q that came in: %w", e.ID, err)
			}
		}
		return nil
	})
	if err != nil {
		return Committed{}, err
	}
	maps.Copy(l.probes, added)
	return done, nil
}

func (l *Ledger) probeNumber(ctx context.Context, name reading.ProbeID, added map[reading.ProbeID]int64) (int64, error) {
	if id, ok := l.probes[name]; ok {
		return id, nil
	}
	if id, ok := added[name]; ok {
		return id, nil
	}
	var id int64
	if err := l.stmts.probe.QueryRowContext(ctx, string(name)).Scan(&id); err != nil {
		return 0, err
	}
	added[name] = id
	return id, nil
}

func (l *Ledger) storeReading(ctx context.Context, probe, seq int64, r reading.Reading) (bool, error) {
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		return false, fmt.Errorf("value %v is not finite", r.Value)
	}
	flags := int64(r.Flags)
	if r.Value == 0 && math.Signbit(r.Value) {
		flags |= negativeZero
	}
	res, err := l.stmts.reading.ExecContext(ctx, probe, micros(r.At), r.Value, seq, micros(r.DeviceAt), micros(r.ArrivedAt), flags, int64(r.MID))
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n > 0, err
}

func (l *Ledger) storeTransition(ctx context.Context, t alarm.Transition) error {
	_, err := l.stmts.transition.ExecContext(ctx, string(t.Key), string(t.Kind), int64(t.Occurrence), t.From.String(), t.To.String(),
		micros(t.At), micros(t.Since), t.Priority.String(), t.Rule, t.RuleAt, t.Unit, string(t.Probe),
		t.Trouble, t.Detail, t.CanHappen, t.ToDo, t.By, t.Hidden, string(t.Cause), t.Left, t.Via)
	return err
}

func (l *Ledger) storeMessage(ctx context.Context, m callout.Message) error {
	alarms, err := json.Marshal(m.Alarms)
	if err != nil {
		return err
	}
	way, due := m.Way, m.NotBefore
	if way == "" {
		way = callout.Email
	}
	if due.IsZero() {
		due = m.CreatedAt
	}
	_, err = l.stmts.message.ExecContext(ctx, m.ID, string(m.Reason), m.Person, string(way), m.Address, m.Subject, m.Text, m.Short, m.Code, m.Unless,
		micros(m.NotBefore), string(alarms), micros(m.CreatedAt), micros(m.ExpiresAt), m.Attempts, micros(due))
	return err
}
