package care

// A Kind says how a question is answered.
type Kind string

// The kinds of question.
const (
	YesNo   Kind = "yesno"   // one fact: yes, no, unsure
	AnyOf   Kind = "anyof"   // several facts at once: those that are so, or none, or unsure
	OneOf   Kind = "oneof"   // one fact, one value of several
	Several Kind = "several" // one fact, some values of several
	Scale   Kind = "scale"   // 0 to 10, typed
	Age     Kind = "age"     // completed years, typed
	Since   Kind = "since"   // how long ago, typed
	Height  Kind = "height"  // body height, typed
	Consent Kind = "consent" // yes or no
	NextOf  Kind = "next"    // the person has read on
)

// Values that every protocol shares.
const (
	Yes    = "yes"
	No     = "no"
	Unsure = "unsure"
	None   = "none"
	Next   = "next"
)

// A Command is a word that a person may say at any moment.
type Command string

// The commands.
const (
	CmdHuman     Command = "human" // ask for a person
	CmdWhy       Command = "why"   // why is this asked, why this advice
	CmdBack      Command = "back"  // the question before
	CmdStartOver Command = "start_over"
	CmdStop      Command = "stop" // stop messages
	CmdKept      Command = "kept" // what is kept
	CmdDelete    Command = "delete"
	CmdLanguage  Command = "language" // change language
	CmdHide      Command = "hide"     // a neutral screen at once
	CmdOther     Command = "other"    // this is about somebody else
	CmdSkip      Command = "skip"     // skip this question
	CmdHelp      Command = "help"     // what can I say here
	CmdGreeting  Command = "greeting" // hello and the like: no answer, no command
)
