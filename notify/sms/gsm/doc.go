// Package gsm turns text messages into the octets that a GSM, UMTS or LTE modem
// takes and gives in PDU mode, and back: the 7 bit default alphabet of 3GPP TS
// 23.038 (GSM 03.38) and the units SMS-SUBMIT, SMS-DELIVER and
// SMS-STATUS-REPORT of 3GPP TS 23.040 (GSM 03.40). Clause numbers in the
// comments are those of the two, in their editions of release 16; both are free
// at 3gpp.org.
//
// It owns the encoding and nothing else: no port, no commands to a modem
// (package notify/sms/modem), no clock, no wording. All of it is pure.
//
// What comes in is written by strangers. No octets make Parse panic, and what
// it allocates is bounded by the length of one message.
//
// # Caveats
//
// Our own texts are sent in the default alphabet only, after Plain: UCS-2 would
// cut a part from 160 characters to 70. Texts that come in are read in every
// coding but two: compressed ones are refused, and national shift tables (TS
// 23.038 clause 6.2.1.2) are read as if they were the default ones, which
// leaves digits and the letters A to Z as they are.
package gsm
