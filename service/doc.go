// Package service is Forkwright's domain: which fork is it, what fits it, which spring for
// this rider, what else the job needs, and what it costs.
//
//	which fork is it   service/search   free text, marks and measurements -> forks, or a question
//	does it fit        service/fitment  fork as owned + part -> verdict, reasons, the question left
//	which spring       service/setup    fork as owned + rider -> springs with sag as a band
//	what does it need  service/job      fork, job, parts at hand -> bill, labor, steps, cautions
//	what does it cost  service/quote    lines, prices, tax -> totals; a quote's life
//	what is there      service/stock    counts, promises, feeds
//	what is stopped    service/notice   stop-sales and recalls, merged at answer time
//
// All of these are pure functions of a catalog.Revision and a question: no clock, no
// randomness, no network, no database. This package holds what needs more than one of them,
// and the revisions in memory (Catalogs).
package service
