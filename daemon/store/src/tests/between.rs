//! What a session planted between the store and its database leaves as it is.

/// The methods of a [`Session`](crate::session::Session) that one with an `inner` hands on to that, by name.
macro_rules! hands_on {
    ($($method:ident)+) => { $($crate::tests::between::hands_on!(@ $method);)+ };
    (@ ask) => {
        fn ask(
            &self,
            sql: &str,
            values: &[$crate::session::Value<'_>],
            each: &mut $crate::session::Each<'_>,
        ) -> Result<(), $crate::StoreError> {
            self.inner.ask(sql, values, each)
        }
    };
    (@ tell) => {
        fn tell(
            &self,
            sql: &str,
            values: &[$crate::session::Value<'_>],
            each: &mut $crate::session::Each<'_>,
        ) -> Result<(), $crate::StoreError> {
            self.inner.tell(sql, values, each)
        }
    };
    (@ change) => {
        fn change(
            &self,
            sql: &str,
            values: &[$crate::session::Value<'_>],
        ) -> Result<usize, $crate::StoreError> {
            self.inner.change(sql, values)
        }
    };
    (@ run) => {
        fn run(&self, sql: &str) -> Result<(), $crate::StoreError> {
            self.inner.run(sql)
        }
    };
    (@ step) => {
        fn step(&self, step: $crate::session::Step) -> Result<(), $crate::StoreError> {
            self.inner.step(step)
        }
    };
    (@ now) => {
        fn now(&self) -> Result<i64, $crate::StoreError> {
            self.inner.now()
        }
    };
    // What nobody plants a fault in.
    (@ rest) => {
        fn is_in_transaction(&self) -> bool {
            self.inner.is_in_transaction()
        }

        fn rows_changed(&self) -> u64 {
            self.inner.rows_changed()
        }

        fn number_on(&self, table: &str, column: &str) -> Result<(), $crate::StoreError> {
            self.inner.number_on(table, column)
        }

        fn empty(&self, tables: &[&str]) -> Result<(), $crate::StoreError> {
            self.inner.empty(tables)
        }

        fn as_any(&self) -> &dyn std::any::Any {
            self.inner.as_any()
        }

        fn into_any(self: Box<Self>) -> Box<dyn std::any::Any> {
            self.inner.into_any()
        }
    };
}
pub(crate) use hands_on;
