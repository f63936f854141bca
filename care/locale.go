package care

// A Locale is a language tag of the locales folder, such as "en" or "es".
type Locale string
