library(testthat)
library(pinfeather)

test_check("pinfeather")
