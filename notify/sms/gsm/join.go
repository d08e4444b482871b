package gsm

// Join gives the text of parts that follow one another, decoded as one where it
// can be: senders cut between the halves of one character.
func Join(parts []Content) string {
	var text string
	var data []byte
	same := true
	for _, c := range parts {
		text += c.Text
		data = append(data, c.Data...)
		same = same && c.Coding == parts[0].Coding
	}
	if same && len(parts) > 1 {
		return parts[0].Coding.decode(data)
	}
	return text
}
