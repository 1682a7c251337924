// Package dialog is the conversation: what comes in from a chat, what it means
// where the person stands, and everything that follows from it.
//
// It owns the tables inbox and conversations, and the one transaction in which a
// message's facts, plan, reminders, case and replies stand or fall together. Its
// decisions are a pure function of plain values (step); its effects are written
// by the packages that own them.
//
// It refuses to let a message go unseen: the rules see every text, whatever the
// conversation was waiting for, and what is not understood goes to a human and
// says so.
package dialog
