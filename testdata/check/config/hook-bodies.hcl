site "Alder Fork" {
}
unit "spring intake" {
  kind = "spring"
}
probe "spring temperature" {
  quantity = "temperature"
  at       = "spring intake"
  topic    = "alderfork/spring/temperature"
}
mail {
  host = "mail.alderfork.example"
  from = "weirkeeper@alderfork.example"
}
person "kim" {
  email = "kim@alderfork.example"
}
hook "braces" {
  url  = "https://alderfork.example/messages"
  body = "{\"text\": {{json .Short}"
}
hook "field" {
  url  = "https://alderfork.example/messages"
  body = "{\"text\": {{json .Shrt}}}"
}
hook "function" {
  url  = "https://alderfork.example/messages"
  body = "{\"text\": {{quote .Short}}}"
}
hook "quotes" {
  url  = "https://alderfork.example/messages"
  body = "{\"text\": \"{{.Short}}\"}"
}
hook "loop" {
  url  = "https://alderfork.example/messages"
  body = <<EOT
{
{{if .Code}}{{range 1000000000}}{{end}}{{end}}
}
EOT
}
hook "templates" {
  url  = "https://alderfork.example/messages"
  body = "{{define \"a\"}}{{template \"a\"}}{{end}}{{template \"a\"}}"
  content_type = "text/plain"
}
hook "line" {
  url  = "https://alderfork.example/messages"
  body = <<EOT
{
  "text": {{json .Short}},
  "at": "{{.At.Fromat "15:04"}}"
}
EOT
}
hook "without a code" {
  url  = "https://alderfork.example/messages"
  body = "{\"text\": {{json .Short}}{{if .Code}}}{{end}}"
}
