//! Lists of published codes, each with what it means and what to do about it: one row is the variant,
//! its word and its two sentences, so that none of them can be without another.

/// Makes an enum of a table; a row is `Variant: "word", "What it means.", "What to do.";`. Words stay the
/// same from version to version.
#[macro_export]
macro_rules! codes {
    (
        $(#[$about:meta])*
        $vis:vis enum $name:ident {
            $($variant:ident: $code:literal, $meaning:literal, $action:literal;)*
        }
    ) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        $vis enum $name {
            $(#[doc = $meaning] $variant,)*
        }

        impl $name {
            /// Every one, in the order of the table.
            $vis const ALL: &[$name] = &[$($name::$variant,)*];

            /// Its word.
            #[must_use]
            $vis const fn code(self) -> &'static str {
                match self { $($name::$variant => $code,)* }
            }

            /// What it means.
            #[must_use]
            $vis const fn meaning(self) -> &'static str {
                match self { $($name::$variant => $meaning,)* }
            }

            /// What to do about it.
            #[must_use]
            $vis const fn action(self) -> &'static str {
                match self { $($name::$variant => $action,)* }
            }
        }
    };
}
