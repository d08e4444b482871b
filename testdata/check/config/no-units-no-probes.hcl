site "Alder Fork" {
}
