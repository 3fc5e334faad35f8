# Linear mixed models of invented masses, by maximum likelihood.
# usage: Rscript allometry.R   (writes pairs.csv and expected.json beside itself)
suppressMessages(library(nlme)); set.seed(20)
rows <- NULL
for (b in 1:24) { s <- if (b <= 12) "Alder" else "Birch"; a <- rnorm(1, 0, .08); k <- rnorm(1, 0, .05)
  for (t in c(42, 70, 98, 126)) { w <- (if (s == "Alder") 1700 else 1500) * exp(-exp(-.024 * (t - 55))) * exp(rnorm(1, 0, .03))
    f <- exp(-5.4 + a + (if (s == "Alder") 1.45 else 1.30) * log(w) + (if (s == "Alder") 0 else .9) + k * (log(w) - 6.6) + rnorm(1, 0, .06))
    rows <- rbind(rows, data.frame(bird = sprintf("%s-%02d", s, b), strain = s, age_d = t, weight_g = round(w, 1), fat_g = round(f, 2))) } }
write.csv(rows, "pairs.csv", row.names = FALSE, quote = FALSE)
d <- transform(rows, y = log(fat_g), x = log(weight_g) - mean(log(weight_g)))
full <- lme(y ~ 0 + strain + strain:x, data = d, random = ~ x | bird, method = "ML", control = lmeControl(opt = "optim", reltol = 1e-14, msMaxIter = 500, returnObject = TRUE))
one <- lme(y ~ 0 + strain + x, data = d, random = ~ x | bird, method = "ML", control = lmeControl(opt = "optim", reltol = 1e-14, msMaxIter = 500, returnObject = TRUE))
f <- fixef(full); se <- sqrt(diag(full$varFix))
j <- function(v) paste0("{", paste(sprintf('"%s": %.15g', names(v), v), collapse = ", "), "}")
cat(sprintf('{"R": "%s", "nlme": "%s", "mean_log_x": %.15g,\n "fixed": %s,\n "std_error": %s,\n "log_lik": %.15g, "log_lik_one": %.15g}\n', getRversion(), packageVersion("nlme"), mean(log(rows$weight_g)), j(f), j(se), as.numeric(logLik(full)), as.numeric(logLik(one))), file = "expected.json")
