package notify

import (
	"fmt"
	"time"
)

// lastShort is a text message that is the last one for now: no more than perHour
// go out in an hour, the next after a time on the wall.
func lastShort(short string, perHour int, next time.Time) string {
	return short + fmt.Sprintf(" Last text until %s: limit of %d an hour.", next.Format("15:04"), perHour)
}
